"""One function a command, no logic."""
