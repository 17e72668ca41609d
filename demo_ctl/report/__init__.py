"""Everything that people or other programs read: tables, JSON."""
