"""Routes: what the engine remembers of messages that it has seen.

How this works. Much of what becomes of a message depends on its bytes alone: which plugins are
concerned with it, and what those make of it that keep nothing in mind (`stateless`). So for kinds
of message with few values that much is worked out when one comes for the first time, and kept as
its *route*: a few calls, each with what is left of the message for it. A sequencer sends the same
few hundred controls over and over.

Notes, bends and the like have too many values for that. They have a *lane* for each key, which
holds what the key alone decides: for each output the path through its chain, and the channel to
which the first steps do nothing but move such a message.

All messages that go the same way share one *tally*, which counts how often one did and nothing
else. `settle` adds that to what the outputs and entries count, and they call it when somebody asks
them. When a chain changes, `forget` must be called.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import TYPE_CHECKING, Any

from pointsman.message import KEYS_OF, Kind

if TYPE_CHECKING:
    from pointsman.chain import Entry
    from pointsman.output import Output

ROOM = 8192
"""Routes that are remembered at most, about 20 MiB with sixteen outputs. When there are more, all
are forgotten: those in use are soon back."""

FEW_VALUES = frozenset(
    key
    for (kind, _), keys in KEYS_OF.items()
    for key in keys
    if kind in (Kind.CONTROL, Kind.PROGRAM, Kind.CHANNEL_PRESSURE)
)
"""Keys with at most 128 messages each. Others (notes, bend, SysEx) seldom come twice the same."""

ONE_VALUE = frozenset(
    key
    for (kind, _), keys in KEYS_OF.items()
    for key in keys
    if kind in (Kind.CLOCK, Kind.START, Kind.CONTINUE, Kind.STOP, Kind.ACTIVE_SENSING)
)
"""Keys with one message each, a byte that is the key itself."""

Call = Callable[[Any, bytes, int], object]
"""What is to be done when a message comes: a path of a chain, or `send`; called with the key or the
output's name, the message that is left, and the time in ns."""


class Tally:
    """How often a message went one way, and who is to count that."""

    __slots__ = ("changed", "dropped", "hits", "reached", "sent")

    def __init__(
        self,
        reached: Sequence[Output],
        sent: tuple[Output, ...],
        changed: tuple[Entry, ...],
        dropped: tuple[Entry, ...],
    ) -> None:
        self.hits = 0
        self.reached = reached
        self.sent = sent
        self.changed = changed
        self.dropped = dropped

    def settle(self) -> None:
        """Add what was counted here to the counts of outputs and entries."""
        hits, self.hits = self.hits, 0
        for output in self.reached:
            output.count(received=hits)
        for output in self.sent:
            output.count(sent=hits)
        for entry in self.changed:
            entry.count(changed=hits)
        for entry in self.dropped:
            entry.count(dropped=hits)


Route = tuple[Tally, tuple[tuple[Call, Any, bytes], ...]]
"""Where a message is counted, and the calls that it sets going."""

Lane = tuple[Tally, list[tuple[bytes | None, list[tuple[Call, Any]]]]]
"""The same for all messages of a key. What is left of a message is the message itself, by way of
`bytes.translate` if there is a table for it; calls in a row that share a table share the result."""


class Plan:
    """A route in the making; each output adds to it what it has to do."""

    def __init__(self) -> None:
        self.calls: list[tuple[Call, Any, Any]] = []
        self.sent: list[Output] = []
        self.changed: list[Entry] = []
        self.dropped: list[Entry] = []


class Routes(dict[bytes, Route]):
    """The routes from the input's side to all outputs, by message, and the lanes, by key."""

    def __init__(self) -> None:
        super().__init__()
        self.lanes: dict[int, Lane] = {}
        self._tallies: dict[object, Tally] = {}

    def plan(self, key: int, data: bytes, reached: Sequence[Output]) -> Route:
        """Work out the route of a message that reaches these outputs, and remember it."""
        plan = Plan()
        for output in reached:
            output.plan(plan, key, data)
        if len(self) == ROOM:
            self.forget()
        route = self[data] = (self._tally(reached, plan), tuple(plan.calls))
        return route

    def plan_lane(self, key: int, reached: Sequence[Output]) -> Lane:
        """Work out the lane of all messages of a key that reach these outputs."""
        plan = Plan()
        for output in reached:
            output.plan_lane(plan, key)
        groups: list[tuple[bytes | None, list[tuple[Call, Any]]]] = []
        for call, where, table in plan.calls:
            if not groups or groups[-1][0] is not table:
                groups.append((table, []))
            groups[-1][1].append((call, where))
        lane = self.lanes[key] = (self._tally(reached, plan), groups)
        return lane

    def _tally(self, reached: Sequence[Output], plan: Plan) -> Tally:
        """Where messages are counted that go this way."""
        counted = (tuple(reached), tuple(plan.sent), tuple(plan.changed), tuple(plan.dropped))
        tally = self._tallies.get(counted)
        if tally is None:
            tally = self._tallies[counted] = Tally(*counted)
        return tally

    def settle(self) -> None:
        """Bring all counts up to date."""
        for tally in self._tallies.values():
            tally.settle()

    def forget(self) -> None:
        """Forget every route and every lane."""
        self.settle()
        self.clear()
        self.lanes.clear()
        self._tallies.clear()
