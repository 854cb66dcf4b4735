"""Groups of the shell's commands, a file a group, and how a command opens the installation. `app/cli.py` puts them together."""
