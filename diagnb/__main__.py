"""``python -m diagnb`` is the command ``diagnb``."""

import sys

from diagnb.cli import main

sys.exit(main())
