"""`python -m demo_ctl`."""

import sys

from demo_ctl.cli.main import main

sys.exit(main())
