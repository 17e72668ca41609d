"""What the equipment is: numbering, stages, trunk groups, lines, tones, ringing, timing windows with sources."""
