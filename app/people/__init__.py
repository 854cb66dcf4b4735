"""Who: people, badges, PINs and passwords, duties, certificates, terminals, machine tokens. Uses the journal. Start with `sign_in.py`."""
