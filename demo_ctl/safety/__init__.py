"""Why to believe the ringing guard: its proving, its exploration, its reaction budget, its failure table; what of it a
call must have before it may ring, and the words for how it stands.
"""
