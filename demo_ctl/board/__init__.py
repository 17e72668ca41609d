"""The firmware: sequencer, sensing, interlock, pulse generator, over a small hardware interface (`pins`)."""
