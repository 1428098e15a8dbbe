"""Sizes, places and numbers of the sequencer's structures, beside those of a C compiler.

Source: <sound/asequencer.h> of Linux, as Debian's linux-libc-dev has it. It needs gcc.
"""

from __future__ import annotations

import shutil
import struct
import subprocess
import sys
from pathlib import Path

import pytest

from pointsman import io_alsa
from pointsman.ports import alsa_events

HEADER = Path("/usr/include/sound/asequencer.h")

pytestmark = pytest.mark.skipif(
    not sys.platform.startswith("linux") or not HEADER.exists() or shutil.which("gcc") is None,
    reason="needs gcc and <sound/asequencer.h>; on Debian: apt install gcc linux-libc-dev",
)

EVENTS = {
    0x80: "NOTEOFF", 0x90: "NOTEON", 0xA0: "KEYPRESS", 0xB0: "CONTROLLER", 0xC0: "PGMCHANGE",
    0xD0: "CHANPRESS", 0xE0: "PITCHBEND", 0xF1: "QFRAME", 0xF2: "SONGPOS", 0xF3: "SONGSEL",
    0xF6: "TUNE_REQUEST", 0xF8: "CLOCK", 0xFA: "START", 0xFB: "CONTINUE", 0xFC: "STOP",
    0xFE: "SENSING", 0xFF: "RESET",
}  # fmt: skip

EXPRESSIONS: dict[str, int] = {
    "sizeof(struct snd_seq_event)": alsa_events.EVENT_BYTES,
    "offsetof(struct snd_seq_event, source)": 12,
    "offsetof(struct snd_seq_event, data)": 16,
    "SNDRV_SEQ_IOCTL_CLIENT_ID": io_alsa.GET_CLIENT_ID,
    "SNDRV_SEQ_IOCTL_SET_CLIENT_INFO": io_alsa.SET_CLIENT_INFO,
    "SNDRV_SEQ_IOCTL_CREATE_PORT": io_alsa.CREATE_PORT,
    "SNDRV_SEQ_IOCTL_SUBSCRIBE_PORT": io_alsa.SUBSCRIBE_PORT,
    "SNDRV_SEQ_IOCTL_SET_CLIENT_POOL": io_alsa.SET_CLIENT_POOL,
    "SNDRV_SEQ_IOCTL_QUERY_SUBS": io_alsa.QUERY_SUBS,
    "SNDRV_SEQ_EVENT_SYSEX": alsa_events.encode(b"\xf0\x7d\xf7")[0],
    "SNDRV_SEQ_EVENT_LENGTH_VARIABLE": alsa_events.encode(b"\xf0\x7d\xf7")[1],
    "SNDRV_SEQ_QUEUE_DIRECT": alsa_events.encode(b"\xf8")[3],
    "SNDRV_SEQ_ADDRESS_SUBSCRIBERS": alsa_events.encode(b"\xf8")[14],
    "SNDRV_SEQ_ADDRESS_UNKNOWN": alsa_events.encode(b"\xf8")[15],
    "SNDRV_SEQ_EVENT_USR0": alsa_events.nudge(0, 0)[0],
    **{f"SNDRV_SEQ_EVENT_{name}": alsa_events.TABLE[status][0] for status, name in EVENTS.items()},
}


def compiled(folder: Path, statements: str) -> list[str]:
    """What a C program with these statements prints, word by word."""
    program = folder / "ask"
    includes = ("sys/ioctl.h", "sound/asequencer.h", "stddef.h", "stdio.h", "string.h")
    source = "".join(f"#include <{name}>\n" for name in includes)
    source += f"int main(void) {{ {statements} }}\n"
    command = ["gcc", "-w", "-x", "c", "-", "-o", str(program)]
    subprocess.run(command, input=source, text=True, check=True)
    return subprocess.run([program], capture_output=True, text=True, check=True).stdout.split()


def test_every_status_byte_of_the_table_is_looked_up() -> None:
    assert set(EVENTS) == set(alsa_events.TABLE)


def test_numbers_and_sizes_are_those_of_the_header(tmp_path: Path) -> None:
    asks = "".join(f'printf("%lu\\n", (unsigned long)({text}));' for text in EXPRESSIONS)
    found = dict(zip(EXPRESSIONS, map(int, compiled(tmp_path, asks)), strict=True))
    assert found == EXPRESSIONS


STRUCTURES: list[tuple[str, struct.Struct, tuple[int | bytes, ...], str]] = [
    (
        "snd_seq_client_info", io_alsa.CLIENT_INFO, (7, 1, b"tug"),
        "s.client = 7; s.type = USER_CLIENT; strcpy(s.name, \"tug\");",
    ),
    (
        "snd_seq_port_info", io_alsa.PORT_INFO,
        (7, 3, b"tug", 0x21, 1 << 1 | 1 << 20, 16, 0, 5, 9),
        's.addr.client = 7; s.addr.port = 3; strcpy(s.name, "tug");'
        "s.capability = SNDRV_SEQ_PORT_CAP_READ | SNDRV_SEQ_PORT_CAP_SUBS_READ;"
        "s.type = SNDRV_SEQ_PORT_TYPE_MIDI_GENERIC | SNDRV_SEQ_PORT_TYPE_APPLICATION;"
        "s.midi_channels = 16; s.flags = 5; s.time_queue = 9;",
    ),
    (
        "snd_seq_port_subscribe", io_alsa.SUBSCRIBE, (1, 2, 3, 4, 5, 6),
        "s.sender.client = 1; s.sender.port = 2; s.dest.client = 3; s.dest.port = 4;"
        "s.voices = 5; s.flags = 6;",
    ),
    (
        "snd_seq_client_pool", io_alsa.POOL, (7, 8, 9),
        "s.client = 7; s.output_pool = 8; s.input_pool = 9;",
    ),
    (
        "snd_seq_query_subs", io_alsa.QUERY, (1, 2, 0, 4, 5, 6, 7, 8, 9),
        "s.root.client = 1; s.root.port = 2; s.type = SNDRV_SEQ_QUERY_SUBS_READ; s.index = 4;"
        "s.num_subs = 5; s.addr.client = 6; s.addr.port = 7; s.queue = 8; s.flags = 9;",
    ),
]  # fmt: skip


@pytest.mark.parametrize(
    ("name", "layout", "values", "fill"), STRUCTURES, ids=[case[0] for case in STRUCTURES]
)
def test_structures_are_laid_out_as_the_compiler_does(
    tmp_path: Path, name: str, layout: struct.Struct, values: tuple[int | bytes, ...], fill: str
) -> None:
    show = 'for (size_t i = 0; i < sizeof s; i++) printf("%02x\\n", ((unsigned char *)&s)[i]);'
    statements = f"struct {name} s; memset(&s, 0, sizeof s); {fill} {show}"
    assert layout.pack(*values).hex(" ").split() == compiled(tmp_path, statements)
