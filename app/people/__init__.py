"""Who: people, badges, secrets and sessions, duties, certificates, terminals, tokens, what was tried. Uses the journal. Start with `sign_in.py`."""
