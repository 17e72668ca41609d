"""The simulated board hardware and unit: runs the same firmware, reached as bench:// through pyserial."""
