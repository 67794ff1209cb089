"""`python -m bench.virtual`: see `bench.virtual.process`."""

import sys

from bench.virtual.process import main

sys.exit(main())
