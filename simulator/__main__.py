"""``python -m simulator`` is the ``flatdays`` command."""

from simulator.cli import main

raise SystemExit(main())
