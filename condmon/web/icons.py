"""The page's mark as pictures of the sizes that phones ask for; drawn like static/mark.svg."""

from io import BytesIO

SIZES = (180, 192, 512)
_SIDE = 32  # of the drawing, as in mark.svg
_LINE = ((5, 19), (10, 19), (13, 10), (18, 24), (21, 16), (27, 16))
_GROUND, _INK = "#3a4046", "#f2f3f4"


def icons() -> dict[str, bytes]:
    """File name -> PNG."""
    return {f"mark-{size}.png": _drawn(size) for size in SIZES}


def _drawn(size: int) -> bytes:
    from PIL import Image, ImageDraw

    fine = 2 * size  # drawn twice as large and made smaller, for smooth edges
    scale = fine / _SIDE
    picture = Image.new("RGB", (fine, fine), _GROUND)  # phones round the corners themselves
    pen = ImageDraw.Draw(picture)
    line = [(x * scale, y * scale) for x, y in _LINE]
    width = 2.6 * scale
    pen.line(line, fill=_INK, width=round(width), joint="curve")
    for x, y in (line[0], line[-1]):
        pen.ellipse((x - width / 2, y - width / 2, x + width / 2, y + width / 2), fill=_INK)
    out = BytesIO()
    picture.resize((size, size), Image.Resampling.LANCZOS).quantize(16).save(out, "PNG")
    return out.getvalue()
