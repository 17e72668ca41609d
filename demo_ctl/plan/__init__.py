"""Pure: script + office + pace -> a timeline of board instructions, and what is expected when."""
