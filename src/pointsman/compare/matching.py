"""Finds what differs between two streams of messages, so that one more or less is one difference.

How this works. What is the same at the same time is set aside first. The rest is paired, most alike
first: the same message a moment earlier or later; another value of the same control or note; the
same on another channel; another message of the same kind; and last, the same message at quite
another time. Whatever then has no partner is in one of the streams only. Each step looks at one
group of like messages after the other, in the order of time, so the work grows with the length of
the streams and no faster.
"""

from __future__ import annotations

from collections import Counter, defaultdict
from collections.abc import Callable, Hashable, Sequence
from dataclasses import dataclass, field
from enum import StrEnum
from operator import itemgetter

from pointsman.message import FIRST_SYSTEM_STATUS, KIND_BY_KEY, key_of

Sent = tuple[int, bytes]
"""A message with its time in nanoseconds."""

MOMENT_NS = 5_000_000
"""What is no further apart belongs together: a chord's worth of bytes on a DIN wire."""

SAME_TIME_NS = 1_000_000
FAR_NS = 2_000_000_000
"""The same message within two seconds has moved; further apart they are two."""

_NOTES_END = 0xB0  # keys of notes and key pressure come before it
_SYSEX_HEAD = 5  # bytes that say which device and which parameter a SysEx is for


class Sort(StrEnum):
    """How two streams differ in one place."""

    ONLY_BEFORE = "only_before"
    ONLY_AFTER = "only_after"
    CHANGED = "changed"
    MOVED = "moved"
    ORDER = "order"


@dataclass(frozen=True, slots=True)
class Difference:
    """One place: what stands there before and after; one of them is missing in `ONLY_…`.

    `MOVED` is the same message at another time. `ORDER` are messages of one moment that come in
    another order; they are the first that differ.
    """

    sort: Sort
    before: Sent | None
    after: Sent | None

    @property
    def t_ns(self) -> int:
        """When, by the stream before if it is there."""
        place = self.before or self.after
        assert place is not None
        return place[0]


@dataclass
class Comparison:
    """What differs, in the order of time, and how many messages are the same."""

    same: int = 0
    differences: list[Difference] = field(default_factory=list)

    def count(self, sort: Sort) -> int:
        """How many differences there are of a sort."""
        return sum(difference.sort is sort for difference in self.differences)

    @property
    def furthest_ns(self) -> int:
        """How far the message that moved most has moved."""
        ways = [
            abs(d.after[0] - d.before[0])
            for d in self.differences
            if d.sort is Sort.MOVED and d.before and d.after
        ]
        return max(ways, default=0)


def compare(before: Sequence[Sent], after: Sequence[Sent]) -> Comparison:
    """What is different in `after`; both are in the order of time, and of whole messages."""
    if before == after:
        return Comparison(len(before))
    surplus = Counter(before)
    surplus.subtract(after)
    left, same_before = _parted(before, surplus, 1)
    right, same_after = _parted(after, surplus, -1)
    told = {t_ns for t_ns, _ in (*left, *right)}
    found = Comparison(len(same_before), _orders(same_before, same_after, told))
    for key, within_ns, sort in _STEPS:
        if not (left and right):
            break
        pairs, left, right = _pair(left, right, key, within_ns)
        found.differences += [Difference(sort, one, other) for one, other in pairs]
    found.differences += [Difference(Sort.ONLY_BEFORE, sent, None) for sent in left]
    found.differences += [Difference(Sort.ONLY_AFTER, None, sent) for sent in right]
    found.differences.sort(key=lambda difference: difference.t_ns)
    return found


def _parted(
    sent: Sequence[Sent], surplus: Counter[Sent], sign: int
) -> tuple[list[Sent], list[Sent]]:
    """What this stream has more often than the other, and the rest."""
    more, rest = [], []
    for message in sent:
        if surplus[message] * sign > 0:
            surplus[message] -= sign
            more.append(message)
        else:
            rest.append(message)
    return more, rest


def _orders(before: list[Sent], after: list[Sent], told: set[int]) -> list[Difference]:
    """Moments in which the same messages come in another order, but for those told otherwise.

    Where one of two that are equal is too much, nobody knows which.
    """
    found: list[Difference] = []
    for one, other in zip(before, after, strict=True):
        if one != other and one[0] not in told and not (found and found[-1].t_ns == one[0]):
            found.append(Difference(Sort.ORDER, one, other))
    return found


# ---- what is alike -------------------------------------------------------------------------------

Key = Callable[[bytes], Hashable]


def _itself(data: bytes) -> Hashable:
    return data


def _subject(data: bytes) -> Hashable:
    """What a message sets: a note, a control, a bend of one channel."""
    key = key_of(data)
    if key < _NOTES_END:
        return key, data[1]
    return (key, data[:_SYSEX_HEAD]) if key == FIRST_SYSTEM_STATUS else key


def _but_for_channel(data: bytes) -> Hashable:
    return data if data[0] >= FIRST_SYSTEM_STATUS else (data[0] & 0xF0, data[1:])


def _kind(data: bytes) -> Hashable:
    return KIND_BY_KEY[key_of(data)]


_STEPS: tuple[tuple[Key, int, Sort], ...] = (
    (_itself, MOMENT_NS, Sort.MOVED),
    (_subject, MOMENT_NS, Sort.CHANGED),
    (_but_for_channel, MOMENT_NS, Sort.CHANGED),
    (_kind, SAME_TIME_NS, Sort.CHANGED),
    (_itself, FAR_NS, Sort.MOVED),
)


def _pair(
    left: list[Sent], right: list[Sent], key: Key, within_ns: int
) -> tuple[list[tuple[Sent, Sent]], list[Sent], list[Sent]]:
    """Pairs of the same key that are no further apart than that; and what is left of both."""
    groups: dict[Hashable, tuple[list[Sent], list[Sent]]] = defaultdict(lambda: ([], []))
    for sent in left:
        groups[key(sent[1])][0].append(sent)
    for sent in right:
        groups[key(sent[1])][1].append(sent)
    pairs: list[tuple[Sent, Sent]] = []
    rest: tuple[list[Sent], list[Sent]] = ([], [])
    for ones, others in groups.values():
        _pair_group(ones, others, within_ns, pairs, rest)
    for side in rest:
        side.sort(key=itemgetter(0))
    return pairs, *rest


def _pair_group(
    ones: list[Sent],
    others: list[Sent],
    within_ns: int,
    pairs: list[tuple[Sent, Sent]],
    rest: tuple[list[Sent], list[Sent]],
) -> None:
    """Pair the messages of one group in the order of time, each with the nearer of two."""
    i = j = 0
    while i < len(ones) and j < len(others):
        way_ns = others[j][0] - ones[i][0]
        apart = abs(way_ns)
        if way_ns < 0 and (apart > within_ns or _is_nearer(others, j + 1, ones[i][0], apart)):
            rest[1].append(others[j])
            j += 1
        elif way_ns > 0 and (apart > within_ns or _is_nearer(ones, i + 1, others[j][0], apart)):
            rest[0].append(ones[i])
            i += 1
        else:
            pairs.append((ones[i], others[j]))
            i, j = i + 1, j + 1
    rest[0].extend(ones[i:])
    rest[1].extend(others[j:])


def _is_nearer(sent: list[Sent], place: int, t_ns: int, apart: int) -> bool:
    return place < len(sent) and abs(sent[place][0] - t_ns) < apart
