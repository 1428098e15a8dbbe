"""`--report` and `--plot`, for the commands that render: checked before, and drawn after."""

from __future__ import annotations

import argparse
from collections.abc import Callable
from dataclasses import dataclass
from importlib.util import find_spec
from pathlib import Path
from typing import TYPE_CHECKING

from pointsman.errors import DrawingError, UsageError
from pointsman.whole_file import written_whole

if TYPE_CHECKING:
    from pointsman.reporting.collect import Collector
    from pointsman.reporting.model import Model
    from pointsman.rig import Rig

PICTURES = (".png", ".svg")


def add_report_options(parser: argparse.ArgumentParser) -> None:
    """Add the options to a command that renders."""
    parser.add_argument(
        "--report", metavar="FILE", type=Path, help="write what happened as one page (.html)"
    )
    parser.add_argument(
        "--plot", metavar="FILE", type=Path, help="draw what happened as a picture (.png or .svg)"
    )


@dataclass
class Drawings:
    """What is to be drawn of a render; `listen` before it, `write` after it."""

    report: Path | None
    plot: Path | None
    _collector: Collector | None = None

    def listen(self, rig: Rig, source: str) -> Collector:
        """The listener for the render of this rig over `source`."""
        from pointsman.render import specs_of
        from pointsman.reporting.collect import Collector

        self._collector = Collector(rig, specs_of(rig).values(), source)
        return self._collector

    def write(self) -> list[str]:
        """Draw; returns a line for each file. DrawingError where one cannot be written."""
        if self._collector is None:
            return []
        model = self._collector.model
        said = []
        for path, draw in ((self.report, _write_page), (self.plot, _write_picture)):
            if path is not None:
                try:
                    with written_whole(path) as beside:
                        draw(model, beside)
                except OSError as error:
                    why = error.strerror or error
                    raise DrawingError(f"{path}: it cannot be written: {why}") from None
                said.append(f"{_NAMES[draw]} is in {path}.")
        return said


def _write_page(model: Model, path: Path) -> None:
    from pointsman.reporting.page import write_page

    write_page(model, path)


def _write_picture(model: Model, path: Path) -> None:
    from pointsman.reporting.picture import draw

    draw(model, path)


_NAMES: dict[Callable[[Model, Path], None], str] = {
    _write_page: "The report",
    _write_picture: "The picture",
}


def drawings_of(options: argparse.Namespace) -> Drawings | None:
    """What a command line asks for; None: nothing. Raises UsageError where it cannot be had."""
    report, plot = options.report, options.plot
    if report is None and plot is None:
        return None
    if report is not None:
        _check_library("bokeh", "--report")
        if report.suffix.lower() not in (".html", ".htm"):
            raise UsageError(
                f"--report {report}: a report is a page; write a name such as report.html"
            )
    if plot is not None:
        _check_library("matplotlib", "--plot")
        if plot.suffix.lower() not in PICTURES:
            raise UsageError(
                f"--plot {plot}: pictures are .png or .svg; write a name such as plot.png"
            )
    for path in (report, plot):
        if path is None:
            continue
        if not path.parent.is_dir():
            raise UsageError(f"{path}: there is no folder {path.parent}; make it first")
        if path.is_dir():
            raise UsageError(f"{path}: this is a folder; write the name of a file")
    return Drawings(report, plot)


def _check_library(name: str, option: str) -> None:
    if find_spec(name) is None:
        raise UsageError(
            f"{option}: {name}, which draws it, is not installed; "
            "to get it: pip install 'pointsman[report]'"
        )
