"""What a scan means here and now: the floor terminal's one field.

`choose.py` decides, `questions.py` says what is asked, `doing.py` writes, `screens.py` shows, `last_done.py` knows the ways back.
Start with `choose.py`.
"""
