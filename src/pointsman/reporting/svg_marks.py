"""The marks of the drawing as small SVGs, for the legend and the titles of the page."""

from __future__ import annotations

from pointsman.reporting import style


def _dashed(color: str, dash: str, width: float) -> str:
    return f'stroke="{color}" stroke-width="{width}" stroke-dasharray="{dash}"'


_WIDTHS = {"came-in": 40, "sent": 40, "home-line": 26, "home": 14}
_SHAPES = {
    "came-in": '<rect x="1" y="1.5" width="16" height="7" fill="none" '
    f'stroke="{style.CAME_IN}" stroke-width="1.5"/>'
    f'<path d="M20 5h18" {_dashed(style.CAME_IN, "5 3", 2)}/>',
    "sent": f'<rect x="1" y="1" width="16" height="8" fill="{style.SENT}"/>'
    f'<path d="M20 5h18" stroke="{style.SENT}" stroke-width="2.5"/>',
    "home-line": f'<path d="M1 5h24" {_dashed(style.INK, "1.5 2.5", 1.3)}/>',
    "home": f'<path d="M7 -1L14 5.8H11.6V12H2.4V5.8H0Z" fill="{style.HOME}"/>',
    "stolen": f'<path d="M1 1L10 10M10 1L1 10" stroke="{style.STOLEN}" stroke-width="3"/>',
    "ended": f'<rect x="1" y="1" width="9" height="9" fill="{style.ENDED}"/>',
    "start": f'<path d="M1 0L10 5.5L1 11Z" fill="{style.INK}"/>',
    "stop": f'<rect x="1" y="1" width="9" height="9" fill="{style.INK}"/>',
}


def svg_mark(name: str) -> str:
    """One mark, as the legend in `style` names it."""
    width = _WIDTHS.get(name, 11)
    return (
        f'<svg width="{width}" height="13" viewBox="0 -1 {width} 13" aria-hidden="true">'
        f"{_SHAPES[name]}</svg>"
    )
