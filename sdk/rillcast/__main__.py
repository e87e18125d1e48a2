"""`python -m rillcast`: the same as the command `rillcast`."""

import sys

from rillcast.cli import main

sys.exit(main())
