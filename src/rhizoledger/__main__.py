"""``python -m rhizoledger``: the same as the ``rhizoledger`` command."""

import sys

from rhizoledger.cli.app import main

if __name__ == "__main__":
    sys.exit(main())
