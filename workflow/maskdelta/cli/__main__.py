"""`python -m maskdelta.cli`: the `maskdelta` command."""

from maskdelta.cli._main import main

raise SystemExit(main())
