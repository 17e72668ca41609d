"""What the public sees: the scene of a call, replays, run sheets' shows, pages and consoles."""
