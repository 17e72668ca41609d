"""Quantities against windows -> verdicts, guard-banded by the uncertainty. Pure."""
