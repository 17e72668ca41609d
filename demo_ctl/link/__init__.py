"""The host's session with a board over any pyserial URL."""
