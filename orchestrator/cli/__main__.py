"""`python -m orchestrator.cli`: the command `linktrial` without its script."""

from orchestrator.cli.main import main

main()
