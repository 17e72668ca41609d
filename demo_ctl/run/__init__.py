"""Performs one plan, and owns the one documented stop path."""
