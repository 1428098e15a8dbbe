"""`pointsman init`: from a few answers to a rig with comments, and device files beside it.

`plan.py` is what the answers come to, `rig_text.py` and `naming.py` make text of it; these are
pure. `places.py` looks for ports, `given.py` reads the options, `questions.py` asks for what they
leave open, `files.py` writes, and `commands.py` puts them together.
"""
