"""Which firmware this is. Written by `python -m demo_ctl.safety.firmware_sources`; never by hand.

A number worked out from the sources of `board` and `wire`: other sources are other firmware, and what was proven of one
says nothing of the other. A test of the house fails while it does not fit.
"""

VERSION = 0xBE7B
