"""Which words of a laid-out document a reader can see: by the boxes, not by the source."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from typing import Any

__all__ = ["Seen", "see", "squeezed"]

SMALLEST = 6.6
"""Letters smaller than this, 5 points, count as hidden [CSS px]."""
CONTRAST = 3.0
"""Least contrast of letters to their ground, as WCAG asks of large text [-]."""
IGNORED = dict.fromkeys(map(ord, "\u00ad\u2010\u200b\u2060"))

Rect = tuple[float, float, float, float]
Colour = tuple[float, float, float]


def squeezed(text: str) -> str:
    """Return text without what a layout may change: spaces, hyphens at line ends, capitals."""
    return "".join(text.translate(IGNORED).split()).casefold()


@dataclass(slots=True)
class Seen:
    """Words that can be seen, squeezed."""

    pages: list[str] = field(default_factory=list)
    rows: list[str] = field(default_factory=list)
    """The words of each row of a table, also where it runs over a page."""

    @property
    def everything(self) -> str:
        """Return the words of all pages."""
        return "".join(self.pages)


@dataclass(frozen=True, slots=True)
class _Ground:
    """What the ancestors of a box do to it."""

    colour: Colour = (1.0, 1.0, 1.0)
    opacity: float = 1.0
    hidden: bool = False
    clip: Rect = (0.0, 0.0, 0.0, 0.0)
    row: int | None = None
    line: tuple[int, ...] = ()
    """Identities of the box and its ancestors."""


@dataclass(frozen=True, slots=True)
class _Words:
    text: str
    rect: Rect
    row: int | None
    line: tuple[int, ...]


def see(document: Any) -> Seen:
    """Return the words of a WeasyPrint document that are printed where and as they can be read.

    Not seen: words without box, made transparent, too small, too pale, clipped, off the page,
    transformed, over a picture, or under another box.
    """
    seen = Seen()
    rows: dict[int, str] = {}
    for page in document.pages:
        root = page._page_box
        whole = (0.0, 0.0, float(root.margin_width()), float(root.margin_height()))
        words: list[_Words] = []
        covers: list[tuple[int, Rect]] = []
        _walk(root, _Ground(clip=whole), words, covers)
        read = [each for each in words if not _covered(each, covers)]
        seen.pages.append("".join(squeezed(each.text) for each in read))
        for each in read:
            if each.row is not None:
                rows[each.row] = rows.get(each.row, "") + squeezed(each.text)
    seen.rows = list(rows.values())
    return seen


def _walk(box: Any, ground: _Ground, words: list[_Words], covers: list[tuple[int, Rect]]) -> None:
    text = getattr(box, "text", None)
    if isinstance(text, str):
        if not ground.hidden and _legible(box, ground):
            words.append(_Words(text, _rect(box), ground.row, ground.line))
        return
    below = _below(box, ground)
    if _covering(box):
        covers.append((id(box), _rect(box)))
    for child in getattr(box, "children", ()):
        _walk(child, below, words, covers)


def _below(box: Any, ground: _Ground) -> _Ground:
    style = box.style
    picture = any(kind != "none" for kind, _ in style["background_image"])
    hidden = ground.hidden or bool(style["transform"]) or bool(style["clip"]) or picture
    clip = ground.clip
    if style["overflow"] != "visible" and box.element_tag not in {"html", "body"}:
        clip = _meet(clip, _rect(box))
    row = id(box.element) if box.element_tag == "tr" else ground.row
    return replace(
        ground,
        colour=_over(style["background_color"], ground.colour),
        opacity=ground.opacity * float(style["opacity"]),
        hidden=hidden,
        clip=clip,
        row=row,
        line=(*ground.line, id(box)),
    )


def _legible(box: Any, ground: _Ground) -> bool:
    style = box.style
    if style["visibility"] != "visible" or not float(style["font_size"]) >= SMALLEST:
        return False
    left, top, right, bottom = _rect(box)
    across, down = _meet(ground.clip, (left, top, right, bottom)), (right - left) * (bottom - top)
    inside = max(across[2] - across[0], 0.0) * max(across[3] - across[1], 0.0)
    if down > 0 and inside < 0.8 * down:
        return False
    ink = _over(style["color"], ground.colour, ground.opacity)
    return _contrast(ink, ground.colour) >= CONTRAST


def _covering(box: Any) -> bool:
    """Return whether a box hides what is under it: a picture, a ground, a broad border."""
    style = box.style
    if style["visibility"] != "visible":
        return False
    if hasattr(box, "replacement") or style["background_color"].alpha > 0.05:
        return True
    if any(kind != "none" for kind, _ in style["background_image"]):
        return True
    return any(
        float(getattr(box, f"border_{side}_width", 0.0) or 0.0) > 12.0
        for side in ("top", "right", "bottom", "left")
    )


def _covered(words: _Words, covers: Sequence[tuple[int, Rect]]) -> bool:
    left, top, right, bottom = words.rect
    area = (right - left) * (bottom - top)
    for identity, rect in covers:
        if identity in words.line:
            continue
        x0, y0, x1, y1 = _meet(words.rect, rect)
        if area > 0 and max(x1 - x0, 0.0) * max(y1 - y0, 0.0) > 0.15 * area:
            return True
    return False


def _rect(box: Any) -> Rect:
    """Return the border box; text has none and takes its own size."""
    if hasattr(box, "border_width") and not isinstance(getattr(box, "text", None), str):
        x, y = float(box.border_box_x()), float(box.border_box_y())
        return x, y, x + float(box.border_width()), y + float(box.border_height())
    x, y = float(box.position_x), float(box.position_y)
    return x, y, x + float(box.width), y + float(box.height)


def _meet(one: Rect, other: Rect) -> Rect:
    return (
        max(one[0], other[0]), max(one[1], other[1]),
        min(one[2], other[2]), min(one[3], other[3]),
    )  # fmt: skip


def _channels(colour: Any) -> Iterator[float]:
    for channel in colour.to("srgb").coordinates:
        yield min(max(float(channel), 0.0), 1.0)


def _over(colour: Any, ground: Colour, opacity: float = 1.0) -> Colour:
    alpha = float(colour.alpha) * opacity
    red, green, blue = (
        alpha * above + (1.0 - alpha) * under
        for above, under in zip(_channels(colour), ground, strict=True)
    )
    return red, green, blue


def _contrast(ink: Colour, ground: Colour) -> float:
    """Return the contrast ratio of WCAG 2.2: (L1 + 0.05) / (L2 + 0.05) of relative luminances."""
    dark, light = sorted((_luminance(ink), _luminance(ground)))
    return (light + 0.05) / (dark + 0.05)


def _luminance(colour: Colour) -> float:
    red, green, blue = (c / 12.92 if c <= 0.04045 else ((c + 0.055) / 1.055) ** 2.4 for c in colour)
    return 0.2126 * red + 0.7152 * green + 0.0722 * blue
