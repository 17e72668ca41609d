"""Proving the ringing guard and exploring its interlock. Nothing yet: both come with the full interlock."""
