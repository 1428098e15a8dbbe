"""Event logs: lines in, messages out, and back."""

from __future__ import annotations

import tracemalloc
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from pointsman.errors import InputFileError
from pointsman.io_tsv import TsvWriter, read_tsv

S = 1_000_000_000
NOTE_ON = b"\x90\x3c\x64"
EXAMPLE = "write for example 0.001000, a tab, 90 3C 64"


@pytest.fixture
def path(tmp_path: Path) -> Path:
    return tmp_path / "quay.tsv"


def read(path: Path, text: str | bytes) -> list[tuple[int, bytes]]:
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return list(read_tsv(path))


def test_a_log_is_read_and_written_to_the_byte(path: Path) -> None:
    text = "0.000000\tFA\n0.000000\tB0 4A 7F\n0.001000\t90 3C 64\n"
    messages = [(0, b"\xfa"), (0, b"\xb0\x4a\x7f"), (1_000_000, NOTE_ON)]
    assert read(path, text) == messages
    with TsvWriter(path) as writer:
        for t_ns, data in messages:
            writer.write(t_ns, data)
    assert path.read_bytes() == text.encode()


READABLE = [
    ("nothing", "", []),
    ("no decimals", "2\tF8\n", [2 * S]),
    ("a dot and none", "2.\tF8\n", [2 * S]),
    ("one decimal", "0.5\tF8\n", [S // 2]),
    ("nine decimals", "1.000000001\tF8\n", [S + 1]),
    ("twelve digits", "999999999999.0\tF8\n", [999_999_999_999 * S]),
    ("leading zeros", "007.0\tF8\n", [7 * S]),
    ("comments and blank lines", "# boat\n\n  \n0.0\tF8\n  # a\tb\n1.0\tF8\n", [0, S]),
    ("a comment beyond ASCII", "# Möwe\n0.0\tF8\n", [0]),
    ("the same time written twice", "1.0\tF8\n1.000\tF8\n1.0\tF8\n", [S, S, S]),
    ("no line end at the end", "0.0\tF8\n1.0\tF8", [0, S]),
    ("line ends of another system", "# a\r\n0.0\tF8\r\n\r\n1.0\tF8\r\n", [0, S]),
    ("a byte order mark", "\ufeff0.0\tF8\n", [0]),
    ("a byte order mark before a comment", "\ufeff# a\n0.0\tF8\n", [0]),
]


@pytest.mark.parametrize(("text", "times"), [c[1:] for c in READABLE], ids=[c[0] for c in READABLE])
def test_times_comments_and_line_ends(path: Path, text: str, times: list[int]) -> None:
    assert read(path, text) == [(t_ns, b"\xf8") for t_ns in times]


@pytest.mark.parametrize("text", ["90 3C 64", "90 3c 64", "90  3C   64", " 90 3C 64 ", "903C64"])
def test_hex_in_either_case_with_any_blanks(path: Path, text: str) -> None:
    assert read(path, f"0.0\t{text}\n") == [(0, NOTE_ON)]


FAULTS = [
    ("time goes down", "2.0\tF8\n1.5\tF8\n", "2:1: 1.5 comes after 2.0; times never go down"),
    ("no tab", "0.5 90 3C 64\n", f"1:4: no tab between the time and the bytes; {EXAMPLE}"),
    ("no time", "F8\n", f"1:1: no tab between the time and the bytes; {EXAMPLE}"),
    ("empty time", "\tF8\n", f"1:1: '' is no time in seconds with 0 to 9 decimals; {EXAMPLE}"),
    (
        "words for time",
        "# a\nnoon\tF8\n",
        f"2:1: 'noon' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "below zero",
        "-1.0\tF8\n",
        f"1:1: '-1.0' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "ten decimals",
        "0.0000000001\tF8\n",
        f"1:1: '0.0000000001' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "thirteen digits",
        "1000000000000\tF8\n",
        f"1:1: '1000000000000' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "underscore",
        "1_0.0\tF8\n",
        f"1:1: '1_0.0' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "comma",
        "0,5\tF8\n",
        f"1:1: '0,5' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    (
        "a page of time",
        "9" * 5000 + "\tF8\n",
        f"1:1: '{'9' * 37}...' is no time in seconds with 0 to 9 decimals; {EXAMPLE}",
    ),
    ("not hex", "0.5\t90 3C GG\n", "1:11: 'GG' is not hex; a byte is two digits, 00 to FF"),
    ("one digit", "0.5\t90 3 64\n", "1:8: '3' is not hex; a byte is two digits, 00 to FF"),
    ("0x", "0.5\t0x90 3C 64\n", "1:5: '0x90' is not hex; a byte is two digits, 00 to FF"),
    (
        "beyond ASCII",
        "0.5\t90 3C ö\n",
        "1:11: 'ö' is not hex; a byte is two digits, 00 to FF",
    ),
    (
        "a blank beyond ASCII",
        "0.5\t90\xa03C 64\n",
        "1:5: '90\\xa03C' is not hex; a byte is two digits, 00 to FF",
    ),
    ("no bytes", "0.5\t\n", f"1:5: no bytes after the time; {EXAMPLE}"),
    ("cut", "0.5\t 90 3C\n", f"1:6: '90 3C' is not one whole MIDI message; {EXAMPLE}"),
    ("two", "0.5\tF8 F8\n", f"1:5: 'F8 F8' is not one whole MIDI message; {EXAMPLE}"),
    ("no status", "0.5\t3C 64\n", f"1:5: '3C 64' is not one whole MIDI message; {EXAMPLE}"),
    ("data too high", "0.5\tC0 80\n", f"1:5: 'C0 80' is not one whole MIDI message; {EXAMPLE}"),
    (
        "SysEx without end",
        "0.5\tF0 7D" + " 01" * 20 + "\n",
        f"1:5: '{('F0 7D' + ' 01' * 20)[:37]}...' is not one whole MIDI message; {EXAMPLE}",
    ),
    (
        "not UTF-8",
        "# Möwe\n# Möwe ".encode() + b"\xff\n",
        "2:8: byte FF is not UTF-8; save the file as UTF-8",
    ),
    (
        "a number of bytes that is no text",
        b"0.5\t\x90\x3c\x64\n",
        "1:5: byte 90 is not UTF-8; save the file as UTF-8",
    ),
]


@pytest.mark.parametrize(("text", "want"), [c[1:] for c in FAULTS], ids=[c[0] for c in FAULTS])
def test_a_broken_line_is_one_line_with_its_place(path: Path, text: str | bytes, want: str) -> None:
    with pytest.raises(InputFileError) as caught:
        read(path, text)
    assert str(caught.value) == f"{path}:{want}"


def test_what_came_before_a_broken_line_is_delivered(path: Path) -> None:
    path.write_text("0.0\tF8\n1.0\tF8\n2.0\tboat\n")
    lines = read_tsv(path)
    assert [next(lines), next(lines)] == [(0, b"\xf8"), (S, b"\xf8")]
    with pytest.raises(InputFileError, match=":3:5: 'boat' is not hex"):
        next(lines)


def test_a_missing_file_is_an_oserror(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError):
        list(read_tsv(tmp_path / "none.tsv"))


@settings(deadline=None)
@given(data=st.binary(max_size=60) | st.text("0123456789. \t\nF8#", max_size=60).map(str.encode))
def test_any_bytes_are_read_or_refused_and_nothing_else(
    tmp_path_factory: pytest.TempPathFactory, data: bytes
) -> None:
    path = tmp_path_factory.getbasetemp() / "any.tsv"
    try:
        times = [t_ns for t_ns, _ in read(path, data)]
    except InputFileError as error:
        assert "\n" not in str(error)
    else:
        assert times == sorted(times)


ROUNDING = [
    (0, "0.000000"),
    (499, "0.000000"),
    (500, "0.000001"),
    (999_499, "0.000999"),
    (999_999_500, "1.000000"),
    (1_000_000_000, "1.000000"),
    (3_600_000_001_000, "3600.000001"),
]


@pytest.mark.parametrize(("t_ns", "text"), ROUNDING)
def test_times_are_rounded_half_up_to_microseconds(path: Path, t_ns: int, text: str) -> None:
    with TsvWriter(path) as writer:
        writer.write(t_ns, b"\xf8")
    assert path.read_text() == f"{text}\tF8\n"


def test_long_messages_are_written_whole(path: Path) -> None:
    sysex = b"\xf0\x7d" + bytes(range(128)) * 500 + b"\xf7"
    with TsvWriter(path) as writer:
        writer.write(0, sysex)
    assert list(read_tsv(path)) == [(0, sysex)]


def test_closing_twice_is_once(path: Path) -> None:
    writer = TsvWriter(path)
    writer.write(0, b"\xf8")
    writer.close()
    writer.close()
    assert path.read_text() == "0.000000\tF8\n"


MESSAGES = st.one_of(
    st.tuples(st.integers(0x80, 0xBF), st.integers(0, 127), st.integers(0, 127)).map(bytes),
    st.tuples(st.integers(0xC0, 0xDF), st.integers(0, 127)).map(bytes),
    st.sampled_from([b"\xf8", b"\xfa", b"\xfc", b"\xf6", b"\xff"]),
    st.text("\0 7\x7f", min_size=1, max_size=30).map(
        lambda text: f"\xf0{text}\xf7".encode("latin-1")
    ),
)


@settings(deadline=None)
@given(log=st.lists(st.tuples(st.integers(0, 2_000_000), MESSAGES)))
def test_a_log_survives_the_round_trip_at_microseconds(
    tmp_path_factory: pytest.TempPathFactory, log: list[tuple[int, bytes]]
) -> None:
    path = tmp_path_factory.getbasetemp() / "round.tsv"
    us, want = 0, []
    with TsvWriter(path) as writer:
        for wait_us, data in log:
            us += wait_us
            writer.write(us * 1000, data)
            want.append((us * 1000, data))
    assert list(read_tsv(path)) == want


def test_memory_does_not_grow_with_the_log(path: Path) -> None:
    tracemalloc.start()
    try:
        with TsvWriter(path) as writer:
            for n in range(100_000):
                writer.write(n * 1_000_000, bytes((0x90 | n % 16, n // 16 % 128, n % 128)))
        assert sum(1 for _ in read_tsv(path)) == 100_000
        assert tracemalloc.get_traced_memory()[1] < 2_000_000
    finally:
        tracemalloc.stop()
