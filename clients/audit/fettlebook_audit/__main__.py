"""`python -m fettlebook_audit` is the command `fettlebook-audit`."""

import sys

from fettlebook_audit.cli import main

sys.exit(main())
