"""`python -m demo_ctl`, and the command `demo_ctl`."""

import sys


def run() -> int:
    """Run the command line; Ctrl-C while it is still being loaded ends it without a word."""
    try:
        from demo_ctl.cli.ctrl_c import listen

        listen()
        from demo_ctl.cli.main import main

        return main()
    except KeyboardInterrupt:
        return 130


if __name__ == "__main__":
    sys.exit(run())
