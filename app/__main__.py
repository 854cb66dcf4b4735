"""`python -m app` is `reelroot`."""

from app.cli import main

main()
