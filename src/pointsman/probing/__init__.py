"""Finding out how a synth is set: which channel it hears, which control does what.

`steps.py` has the words in which the pure part says what is to happen: `search.py` for
`find-channel`, `moving.py` and `naming.py` for `sweep`. `stage.py` makes it happen on real ports.
"""
