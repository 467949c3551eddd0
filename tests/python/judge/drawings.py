"""Contours of DXF and SVG files with their layers: lists of points, closed where the last is the first. No more than samples hold."""
import math
import re
import xml.etree.ElementTree as Xml

import ezdxf


def contours_of(file, arc, chords):
    return dxf(file, arc, chords) if file.suffix.lower() == ".dxf" else svg(file, arc, chords)


def dxf(file, arc, chords):
    found = []
    drawing = ezdxf.readfile(file)
    scale = {1: 25.4, 4: 1.0}[drawing.header.get("$INSUNITS", 4)]
    for e in drawing.modelspace():
        kind, layer = e.dxftype(), e.dxf.layer
        if kind == "LWPOLYLINE":
            corners = [(float(x) * scale, float(y) * scale, float(b)) for x, y, b in e.get_points("xyb")]
            found.append((layer, run(corners, e.closed, arc)))
        elif kind == "LINE":
            found.append((layer, [(p.x * scale, p.y * scale) for p in (e.dxf.start, e.dxf.end)]))
        elif kind in ("ARC", "CIRCLE"):
            r, c = e.dxf.radius * scale, e.dxf.center
            start, sweep = 0.0, 2 * math.pi
            if kind == "ARC":
                start = math.radians(e.dxf.start_angle)
                sweep = math.radians((e.dxf.end_angle - e.dxf.start_angle) % 360)
            found.append((layer, turned((c.x * scale, c.y * scale), r, start, sweep, chords)))
        elif kind not in ("TEXT", "MTEXT"):
            raise ValueError(f"the judge cannot read {kind}")
    return found


def run(corners, closed, arc):
    points = [corners[0][:2]]
    for i in range(len(corners) - (0 if closed else 1)):
        points += arc(corners[i][:2], corners[(i + 1) % len(corners)][:2], corners[i][2])
    return points


def turned(centre, radius, start, sweep, chords):
    n = chords(radius, sweep)
    angles = [start + sweep * i / n for i in range(n + 1)]
    points = [(centre[0] + radius * math.cos(a), centre[1] + radius * math.sin(a)) for a in angles]
    if abs(sweep) > 2 * math.pi - 1e-9:
        points[-1] = points[0]
    return points


def svg(file, arc, chords):
    root = Xml.parse(file).getroot()
    size = float(re.match(r"[\d.]+", root.get("width")).group())
    if not root.get("width").endswith("mm"):
        raise ValueError("the judge reads drawings in mm")
    scale = size / float(root.get("viewBox").split()[2])
    found = []
    for group in root:
        layer = group.get("id")
        if not layer:
            continue
        shift = re.match(r"translate\(\s*([-\d.]+)[ ,]+([-\d.]+)\s*\)", group.get("transform", "translate(0 0)"))
        dx, dy = float(shift.group(1)), float(shift.group(2))
        for e in group:
            tag = e.tag.split("}")[-1]
            get = lambda k: float(e.get(k, 0))
            if tag == "rect":
                x, y, w, h = get("x"), get("y"), get("width"), get("height")
                lists = [[(x, y), (x + w, y), (x + w, y + h), (x, y + h), (x, y)]]
            elif tag == "circle":
                lists = [turned((get("cx"), get("cy")), get("r"), 0.0, 2 * math.pi, chords)]
            elif tag == "path":
                lists = paths(e.get("d"), chords)
            else:
                raise ValueError(f"the judge cannot read {tag}")
            # Y runs down in the file and up on the wood.
            found += [(layer, [((x + dx) * scale, -(y + dy) * scale) for x, y in points]) for points in lists]
    return found


def paths(text, chords):
    words = re.findall(r"[A-Za-z]|-?[\d.]+(?:e-?\d+)?", text)
    out, i, at, word = [], 0, (0.0, 0.0), "M"

    def take(n):
        nonlocal i
        i += n
        return [float(w) for w in words[i - n : i]]

    while i < len(words):
        if words[i].isalpha():
            word = words[i]
            i += 1
        if word == "Z":
            out[-1].append(out[-1][0])
            continue
        if word == "M":
            at = tuple(take(2))
            out.append([at])
            word = "L"
            continue
        if word == "L":
            points = [tuple(take(2))]
        elif word == "H":
            points = [(take(1)[0], at[1])]
        elif word == "V":
            points = [(at[0], take(1)[0])]
        elif word == "C":
            x1, y1, x2, y2, x, y = take(6)
            cubic = lambda t, a, b, c, d: (1 - t) ** 3 * a + 3 * (1 - t) ** 2 * t * b + 3 * (1 - t) * t * t * c + t**3 * d
            points = [(cubic(t / 400, at[0], x1, x2, x), cubic(t / 400, at[1], y1, y2, y)) for t in range(1, 401)]
        elif word == "A":
            rx, ry, turn, large, sweep, x, y = take(7)
            points = ellipse(at, (x, y), rx, ry, turn, large, sweep, chords)
        else:
            raise ValueError(f"the judge cannot read the path word {word}")
        out[-1] += points
        at = points[-1]
    return out


def ellipse(a, b, rx, ry, turn, large, sweep, chords):
    """Points of an SVG arc after its start (appendix B.2.4 of SVG 2), axes along x and y."""
    if turn:
        raise ValueError("the judge reads no turned ellipses")
    hx, hy = (a[0] - b[0]) / 2, (a[1] - b[1]) / 2
    over = (hx / rx) ** 2 + (hy / ry) ** 2
    if over > 1:
        rx, ry = rx * math.sqrt(over), ry * math.sqrt(over)
        over = 1.0
    factor = math.sqrt((1 - over) / over) * (-1 if large == sweep else 1)
    cx, cy = factor * rx * hy / ry, -factor * ry * hx / rx
    start = math.atan2((hy - cy) / ry, (hx - cx) / rx)
    angle = math.atan2((-hy - cy) / ry, (-hx - cx) / rx) - start
    if sweep and angle < 0:
        angle += 2 * math.pi
    if not sweep and angle > 0:
        angle -= 2 * math.pi
    cx, cy = cx + (a[0] + b[0]) / 2, cy + (a[1] + b[1]) / 2
    n = chords(max(rx, ry), angle)
    points = [(cx + rx * math.cos(start + angle * i / n), cy + ry * math.sin(start + angle * i / n)) for i in range(1, n)]
    return points + [b]
