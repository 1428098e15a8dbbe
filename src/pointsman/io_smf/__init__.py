"""Standard MIDI Files 1.0 (RP-001), read and written as a stream.

A file may be far larger than memory: each track is read through a small window of its own, the
tracks are merged as they go, and the writer keeps only what it has not yet put on disk. Times
are whole nanoseconds, computed from the last tempo change and never by adding up deltas.

Page numbers in comments are those of RP-001.
"""

from pointsman.io_smf.items import DEFAULT_TEMPO_NS, END, TEMPO, SmfItem
from pointsman.io_smf.player import play
from pointsman.io_smf.reader import SmfReader
from pointsman.io_smf.writer import DEFAULT_DIVISION, MAX_VLQ, SmfWriter, vlq

__all__ = [
    "DEFAULT_DIVISION",
    "DEFAULT_TEMPO_NS",
    "END",
    "MAX_VLQ",
    "TEMPO",
    "SmfItem",
    "SmfReader",
    "SmfWriter",
    "play",
    "vlq",
]
