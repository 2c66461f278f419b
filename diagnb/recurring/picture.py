"""A plot of the fleet room as a vector drawing of the report: the same lines, areas and words, no pixels."""

from __future__ import annotations

import math
from typing import Any

import numpy as np
from matplotlib.backend_bases import GraphicsContextBase, RendererBase
from matplotlib.transforms import Affine2D, Bbox

from diagnb.report.charts import Element, Label, Line, Picture, Shape

Array = Any
_RED, _GREEN, _BLUE = 0.299, 0.587, 0.114


def picture_of(plot: Any, *, alt: str) -> Picture:
    """``plot`` (a matplotlib figure) as geometry in points; ``alt`` says what is to be seen.

    Colours become the grey of equal brightness, transparent ones that grey on white.
    """
    plot.set_dpi(72)
    plot.patch.set_visible(False)
    for axes in plot.axes:
        axes.patch.set_visible(False)
    # The first pass settles the layout, which is worked out while drawing.
    plot.draw_without_rendering()
    recorder = _Recorder(*(72 * float(side) for side in plot.get_size_inches()))
    plot.draw(recorder)
    return Picture(recorder.width, recorder.height, tuple(recorder.elements), alt)


class _Recorder(RendererBase):
    """Takes down what matplotlib would draw."""

    def __init__(self, width: float, height: float) -> None:
        super().__init__()
        self.width, self.height = width, height
        self.elements: list[Element] = []

    def get_canvas_width_height(self) -> tuple[float, float]:
        return self.width, self.height

    def points_to_pixels(self, points: Any) -> Any:
        return points

    def draw_path(self, gc: GraphicsContextBase, path: Any, transform: Any, rgbFace: Any = None) -> None:
        down = transform + Affine2D().scale(1.0, -1.0).translate(0.0, self.height)
        clip = self._clip(gc)
        alpha = 1.0 if gc.get_alpha() is None else float(gc.get_alpha())
        if rgbFace is not None:
            self._fill(
                path, down, clip, _grey(rgbFace, alpha if len(rgbFace) < 4 or gc.get_forced_alpha() else rgbFace[3])
            )
        width = float(gc.get_linewidth())
        if width > 0:
            self._stroke(path, down, clip, width, _grey(gc.get_rgb(), alpha), _dashes(gc))

    def draw_image(self, gc: Any, x: float, y: float, im: Any, transform: Any = None) -> None:
        raise ValueError("a plot for a report holds no pictures of pixels")

    def draw_text(
        self, gc: Any, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any = False, mtext: Any = None
    ) -> None:
        if angle == 0 and not ismath:
            size = float(prop.get_size_in_points())
            self.elements.append(Label((x, y), s, size, grey=_grey(gc.get_rgb(), 1.0)))
            return
        self._outlined(x, y, s, prop, angle, ismath, _grey(gc.get_rgb(), 1.0))

    def _outlined(self, x: float, y: float, s: str, prop: Any, angle: float, ismath: Any, grey: float) -> None:
        """Turned text and powers of ten as outlines; the report's pen writes level text only."""
        from matplotlib.path import Path

        text = self._text2path
        vertices, codes = text.get_text_path(prop, s, ismath=ismath)
        if not len(vertices):
            return
        size = float(prop.get_size_in_points()) / text.FONT_SCALE
        placed = Affine2D().scale(size).rotate_deg(angle).scale(1.0, -1.0).translate(x, y)
        # Outer outlines of TrueType letters run clockwise, the holes in them the other way; holes are painted last.
        for outline in sorted(Path(vertices, codes).to_polygons(closed_only=True), key=lambda o: _turn(o) > 0):
            self.elements.append(Shape(_points(placed.transform(outline)), 1.0 if _turn(outline) > 0 else grey))

    def _clip(self, gc: GraphicsContextBase) -> tuple[float, float, float, float] | None:
        box = gc.get_clip_rectangle()
        if box is None:
            return None
        x0, y0, x1, y1 = box.extents
        return float(x0), self.height - float(y1), float(x1), self.height - float(y0)

    def _fill(self, path: Any, down: Any, clip: Any, grey: float) -> None:
        for outline in path.to_polygons(down, closed_only=True):
            corners = outline
            if clip is not None:
                from matplotlib.path import Path

                inside = Path(outline, closed=False).clip_to_bbox(Bbox.from_extents(*clip), inside=True)
                corners = inside.vertices
            if len(corners) > 2 and np.isfinite(corners).all():
                self.elements.append(Shape(_points(corners), grey))

    def _stroke(self, path: Any, down: Any, clip: Any, width: float, grey: float, dash: tuple[float, ...]) -> None:
        whole = path.cleaned(transform=down, remove_nans=True, clip=clip, simplify=False, curves=False)
        start: Array = None
        last: Array = None
        for vertex, code in zip(whole.vertices, whole.codes, strict=True):
            if code == whole.STOP:
                break
            if code == whole.MOVETO:
                start = last = vertex
                continue
            end = start if code == whole.CLOSEPOLY else vertex
            if last is not None and not np.array_equal(last, end):
                self.elements.append(Line(_point(last), _point(end), width, grey, dash))
            last = end


def _dashes(gc: GraphicsContextBase) -> tuple[float, ...]:
    lengths: Any = gc.get_dashes()[1]
    return () if lengths is None else tuple(float(d) for d in lengths)


def _grey(colour: Any, alpha: float) -> float:
    red, green, blue = (float(c) for c in colour[:3])
    return round(1.0 - alpha * (1.0 - (_RED * red + _GREEN * green + _BLUE * blue)), 4)


def _point(vertex: Array) -> tuple[float, float]:
    return float(vertex[0]), float(vertex[1])


def _points(vertices: Array) -> tuple[tuple[float, float], ...]:
    return tuple(_point(v) for v in vertices)


def _turn(outline: Array) -> float:
    """Twice the area of an outline, above zero where it runs anticlockwise (y upwards)."""
    x, y = np.asarray(outline)[:, 0], np.asarray(outline)[:, 1]
    return math.fsum((x[:-1] * y[1:] - x[1:] * y[:-1]).tolist())
