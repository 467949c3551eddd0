"""Writes card-index-sheet.dxf: a cutting sheet of a card-index cabinet in 12 mm plywood, the same ten parts laid out twice.

    python3 card_index_sheet.py > card-index-sheet.dxf

It has what drawings from a shop have: outlines that are not flagged closed and whose ends meet, an outline of lines and arcs beside
polylines, bulges, full circles as openings, housings that run over the part's edge, slots of exactly a cutter's width, a layer whose
name says another size than what is drawn on it, engraved lines, notes, and a block of border lines whose contents lie on layers of
their own. README.md lists the figures that follow from the numbers below. All lengths are mm.
"""

OUTLINE, OPENING, SCRIBE = "outline 12 deep", "opening 12 deep", "scribe 2 deep"
BORE, WRONG_BORE = "bore 8 wide 12 deep", "bore 16.05 wide 12 deep"
HOUSING_4, HOUSING_6, HOUSING_8 = "housing 4 deep", "housing 6 deep", "housing 8 deep"

QUARTER = 2**0.5 - 1  # the bulge of a quarter circle: tan(90 degrees / 4)

SECOND_LAYOUT = (1800, 50)  # from the first; the widest layout is 1240, so the gap is 560


def circle(x, y, diameter):
    return ("CIRCLE", (x, y), diameter / 2)


def path(*corners, closed=True):
    """Corners (x, y) or (x, y, bulge of the piece that starts there)."""
    return ("PATH", [(*c, 0)[:3] for c in corners], closed)


def line(x, y, to_x, to_y):
    return ("LINE", (x, y), (to_x, to_y))


def arc(x, y, radius, start, end):
    return ("ARC", (x, y), radius, start, end)


def rectangle(x, y, width, height):
    return path((x, y), (x + width, y), (x + width, y + height), (x, y + height))


def rounded_slot(x, y, width, height):
    """A slot whose short sides are half circles."""
    if width > height:
        r = height / 2
        return path((x + r, y), (x + width - r, y, 1), (x + width - r, y + height), (x + r, y + height, 1))
    r = width / 2
    return path((x, y + height - r), (x, y + r, 1), (x + width, y + r), (x + width, y + height - r, 1))


def flush_left(y):
    """A slot of 6.000 by 50 along the left edge, its inner corners rounded with 3.5."""
    return path((0, y), (2.5, y, QUARTER), (6, y + 3.5), (6, y + 46.5, QUARTER), (2.5, y + 50), (0, y + 50))


def mirrored(shape, width):
    """The path as seen from the other face of a part of this width."""
    _, corners, closed = shape
    points = [(width - x, y) for x, y, _ in corners]
    bulges = [b for _, _, b in corners]
    # Walked the other way round, so that bulges keep their sign; a bulge belongs to the piece that starts at its corner.
    points.reverse()
    bulges = bulges[-2::-1] + bulges[-1:]
    return ("PATH", [(x, y, b) for (x, y), b in zip(points, bulges)], closed)


STOPPED_HOUSING = path((-3, 150), (200, 150, 1), (200, 162), (-3, 162))
SIDE = [
    (OUTLINE, rectangle(0, 0, 360, 300)),
    (HOUSING_6, rectangle(-3, 40, 366, 12)),
    (BORE, circle(40, 250, 8)),
    (BORE, circle(320, 250, 8)),
    (OPENING, circle(180, 240, 50)),
]

# (place of the part's lower left corner in the first layout, what is drawn)
PARTS = [
    # 1, 2: left and right side
    ((100, 200), SIDE + [(HOUSING_6, STOPPED_HOUSING)]),
    ((480, 200), SIDE + [(HOUSING_6, mirrored(STOPPED_HOUSING, 360))]),
    # 3: top, 480 by 300, two corners rounded with 20
    ((860, 200), [
        (OUTLINE, path((0, 20, QUARTER), (20, 0), (460, 0, QUARTER), (480, 20), (480, 300), (0, 300))),
        (HOUSING_8, rounded_slot(140, 140, 200, 8)),
        (HOUSING_8, circle(60, 60, 30)),
        (WRONG_BORE, circle(420, 240, 16.75)),
        (OPENING, rounded_slot(234, 200, 12, 56)),
    ]),
    # 4: bottom, as large as the top; its outline is two arcs, a line and an open polyline
    ((100, 520), [
        (OUTLINE, arc(20, 20, 20, 180, 270)),
        (OUTLINE, line(20, 0, 460, 0)),
        (OUTLINE, arc(460, 20, 20, 270, 360)),
        (OUTLINE, path((480, 20), (480, 300), (0, 300), (0, 20), closed=False)),
        (HOUSING_6, path((60, -3), (72, -3), (72, 100, 1), (60, 100))),
        (HOUSING_6, path((408, -3), (420, -3), (420, 100, 1), (408, 100))),
        # A recess of 60 by 60 with a neck of 6.2 by 40
        (HOUSING_8, path((205, 150), (255, 150, QUARTER), (260, 155), (260, 176.9), (296.9, 176.9, 1), (296.9, 183.1), (260, 183.1),
                         (260, 205, QUARTER), (255, 210), (205, 210, QUARTER), (200, 205), (200, 155, QUARTER))),
    ]),
    # 5: back, 456 by 360, a rounded notch in each short side, rebates along the long ones
    ((600, 520), [
        (OUTLINE, path((0, 0), (456, 0), (456, 174), (436, 174, -1), (436, 186), (456, 186), (456, 360), (0, 360), (0, 186),
                       (20, 186, -1), (20, 174), (0, 174))),
        (HOUSING_4, rectangle(-3, -3, 462, 13)),
        (HOUSING_4, rectangle(-3, 350, 462, 13)),
    ]),
    # 6, 7: dividers, 240 by 300, slots of 6.000 flush with the edges; on the second also slots of 8 of which 2 lie over the edge
    ((1076, 520), [
        (OUTLINE, rectangle(0, 0, 240, 300)),
        (HOUSING_4, flush_left(60)),
        (HOUSING_4, mirrored(flush_left(60), 240)),
    ]),
    ((100, 900), [
        (OUTLINE, rectangle(0, 0, 240, 300)),
        (HOUSING_4, flush_left(180)),
        (HOUSING_4, mirrored(flush_left(180), 240)),
        (HOUSING_4, rounded_slot(-2, 60, 8, 100)),
        (HOUSING_4, rounded_slot(234, 60, 8, 100)),
    ]),
    # 8, 9: drawer fronts, 220 by 150, a slot of 6.000 with wood all round
    ((360, 900), [
        (OUTLINE, rectangle(0, 0, 220, 150)),
        (OPENING, rounded_slot(60, 100, 100, 17)),
        (HOUSING_4, rounded_slot(80, 30, 60, 6)),
        (SCRIBE, line(90, 60, 130, 60)),
        (SCRIBE, line(90, 70, 130, 70)),
        (SCRIBE, line(90, 80, 130, 80)),
    ]),
    ((600, 900), [
        (OUTLINE, rectangle(0, 0, 220, 150)),
        (OPENING, rounded_slot(60, 100, 100, 17)),
        (HOUSING_4, rounded_slot(80, 30, 60, 6)),
        (SCRIBE, path((90, 60), (110, 60, 0.5), (130, 60), closed=False)),
        (SCRIBE, path((90, 75), (130, 75), (110, 85))),
    ]),
    # 10: plinth, 480 by 80, its lower edge an arc that rises by 30 over 300
    ((840, 900), [
        (OUTLINE, path((0, 0), (90, 0, -0.2), (390, 0), (480, 0), (480, 80), (0, 80))),
        (OPENING, path((230, 52), (242, 52), (250, 52, QUARTER), (254, 56), (254, 64, QUARTER), (250, 68), (230, 68, QUARTER),
                       (226, 64), (226, 56, QUARTER))),
        (BORE, circle(40, 40, 8)),
        (BORE, circle(440, 40, 8)),
    ]),
]

# Lines of the block: (layer, from, to). Its insertion lies on layer 0.
BORDER = [
    ("board edge", *ends)
    for left in (0, SECOND_LAYOUT[0])
    for ends in [((left, 0), (left + 1300, 0)), ((left + 1300, 0), (left + 1300, 1060)),
                 ((left + 1300, 1060), (left, 1060)), ((left, 1060), (left, 0))]
] + [("title box", (10 * n, -40), (10 * n, -10)) for n in range(6)]
BORDER_AT = (70, 170)


def number(value):
    return f"{value:.12f}".rstrip("0").rstrip(".") if value % 1 else str(int(value))


def entity(kind, layer, *pairs):
    return [(0, kind), (8, layer), *((code, value if isinstance(value, str) else number(value)) for code, value in pairs)]


def polyline(layer, corners, closed, second, by):
    """As the first layout draws it, or as the second does: the other way round, from another corner, and closed the other way."""
    flagged = closed and not second
    if second:
        bulges = [-b for _, _, b in corners]
        corners = [(x, y, b) for (x, y, _), b in zip(corners[::-1], bulges[-2::-1] + bulges[-1:])]
        if closed:
            corners = corners[1:] + corners[:1]
    if closed and not flagged:
        corners = corners + [(*corners[0][:2], 0)]
    pairs = [(90, len(corners)), (70, int(flagged))]
    for x, y, bulge in corners:
        pairs += [(10, x + by[0]), (20, y + by[1])] + ([(42, bulge)] if bulge else [])
    return entity("LWPOLYLINE", layer, *pairs)


def drawn(layer, shape, second, by):
    kind, *rest = shape
    moved = lambda p: (p[0] + by[0], p[1] + by[1])
    if kind == "PATH":
        return polyline(layer, *rest, second, by)
    (x, y), *rest = moved(rest[0]), *rest[1:]
    if kind == "LINE":
        to_x, to_y = moved(rest[0])
        return entity(kind, layer, (10, x), (20, y), (11, to_x), (21, to_y))
    return entity(kind, layer, (10, x), (20, y), *zip((40, 50, 51), rest))


def layout(second):
    shift = SECOND_LAYOUT if second else (0, 0)
    pairs = []
    for (x, y), shapes in PARTS[::-1] if second else PARTS:
        by = (x + shift[0], y + shift[1])
        for layer, shape in shapes:
            pairs += drawn(layer, shape, second, by)
    note = (10, 110 + shift[0]), (20, 180 + shift[1]), (40, 8), (1, "grain along x")
    return pairs + entity("TEXT", "notes", *note)


def main():
    block = [(0, "BLOCK"), (8, "0"), (2, "border"), (70, "0"), (10, "0"), (20, "0")]
    for layer, (x, y), (to_x, to_y) in BORDER:
        block += entity("LINE", layer, (10, x), (20, y), (11, to_x), (21, to_y))
    block += [(0, "ENDBLK"), (8, "0")]
    insert = entity("INSERT", "0", (2, "border"), (10, BORDER_AT[0]), (20, BORDER_AT[1]))
    section = lambda name, pairs: [(0, "SECTION"), (2, name), *pairs, (0, "ENDSEC")]
    header = [(9, "$ACADVER"), (1, "AC1015"), (9, "$INSUNITS"), (70, "4")]
    pairs = section("HEADER", header) + section("BLOCKS", block)
    pairs += section("ENTITIES", insert + layout(False) + layout(True)) + [(0, "EOF")]
    print("".join(f"{code:>3}\n{value}\n" for code, value in pairs), end="")


main()
