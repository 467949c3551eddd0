"""Job, shop and drawings as a person reads them: parts with their outline and features, in millimetres."""
import json
import math
import re
from dataclasses import dataclass, field, replace
from pathlib import Path

from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box

import joints
from drawings import contours_of
from lengths import Count, exact, named

INCH = 25.4
# Arcs become chords this near to them, and never turn farther than this at once.
CHORD_MM = 0.004
CHORD_TURN = math.radians(4)
# A corner of a contour turns at least so far; chords of an arc turn less.
CORNER_TURN = math.radians(9)


def mm(value, unit):
    """A length: a number in the document's unit, or words such as "1 1/4in"."""
    if isinstance(value, (int, float)):
        return value * (INCH if unit == "in" else 1.0)
    found = re.fullmatch(r"\s*(?:(\d+(?:\.\d+)?)(?:\s+(\d+)/(\d+))?|(\d+)/(\d+))\s*(mm|in)\s*", value)
    whole, num, den, num2, den2, word = found.groups()
    number = float(whole or 0) + (int(num) / int(den) if num else 0) + (int(num2) / int(den2) if num2 else 0)
    return number * (INCH if word == "in" else 1.0)


def arc(a, b, bulge):
    """Points of an arc after `a`, up to and with `b`; the bulge is the tangent of a quarter of its angle."""
    if abs(bulge) < 1e-12:
        return [b]
    (ax, ay), (bx, by) = a, b
    sweep = 4 * math.atan(bulge)
    chord = math.hypot(bx - ax, by - ay)
    radius = chord / (2 * math.sin(abs(sweep) / 2))
    # The centre lies to the left of the chord for a short counter-clockwise arc.
    away = chord / (2 * math.tan(sweep / 2))
    cx, cy = (ax + bx) / 2 - away * (by - ay) / chord, (ay + by) / 2 + away * (bx - ax) / chord
    start = math.atan2(ay - cy, ax - cx)
    n = chords(radius, sweep)
    points = [(cx + radius * math.cos(start + sweep * i / n), cy + radius * math.sin(start + sweep * i / n)) for i in range(1, n)]
    return points + [b]


def chords(radius, sweep):
    """Into how many chords an arc is divided."""
    step = min(CHORD_TURN, 2 * math.acos(max(0.0, 1 - CHORD_MM / max(radius, CHORD_MM))))
    return max(1, math.ceil(abs(sweep) / step))


def circle(centre, diameter):
    x, y = centre
    r = diameter / 2
    return Polygon([(x + r, y)] + arc((x + r, y), (x - r, y), 1) + arc((x - r, y), (x + r, y), 1))


def rounded(points, radii):
    """A closed contour of straight lines whose corners are rounded."""
    out = []
    n = len(points)
    for i, (p, r) in enumerate(zip(points, radii)):
        if r <= 0:
            out.append(p)
            continue
        before, after = points[i - 1], points[(i + 1) % n]
        u = unit(p, before)
        v = unit(p, after)
        half = math.acos(max(-1.0, min(1.0, u[0] * v[0] + u[1] * v[1]))) / 2
        cut = r / math.tan(half)
        a = (p[0] + u[0] * cut, p[1] + u[1] * cut)
        b = (p[0] + v[0] * cut, p[1] + v[1] * cut)
        left = u[0] * v[1] - u[1] * v[0] < 0
        bulge = math.tan((math.pi - 2 * half) / 4) * (1 if left else -1)
        out += [a] + arc(a, b, bulge)
    return out


def unit(a, b):
    length = math.hypot(b[0] - a[0], b[1] - a[1])
    return (b[0] - a[0]) / length, (b[1] - a[1]) / length


@dataclass
class Feature:
    id: str
    kind: str
    # A Polygon; a LineString for an engraving.
    shape: object
    # Millimetres below the face; None when `left` or `through` says it.
    depth: float = None
    left: float = None
    through: bool = False
    # none, dog-bone or t-bone, and for the latter into which edge.
    relief: str = "none"
    way: str = "into-short"
    hand: bool = False
    leave: float = 0.0
    by_hand_corners: bool = False
    side: str = "face"


@dataclass
class Part:
    id: str
    count: int
    stock: str
    outline: Polygon
    dimensioned: bool
    features: list = field(default_factory=list)
    relief: str = "none"
    way: str = "into-short"
    # Where it lies in its drawing, when it keeps its place: (drawing, x, y).
    drawn_at: tuple = None
    # Corners at the roots of tenons that joints make: (place, towards the tip, away from the tenon).
    roots: list = field(default_factory=list)

    def of_side(self, side):
        return [f for f in self.features if f.side == side]

    def sides(self):
        """The sides that the machine cuts; the outline is cut from the face."""
        sides = ["face"] if self.of_side("face") or not self.dimensioned else []
        return sides + [side for side in ("back", "near", "far") if self.of_side(side)]

    def mirrored(self, count):
        """The other hand: mirrored across the grain."""
        width = self.outline.bounds[3]
        flip = lambda g: affinity.affine_transform(g, [1, 0, 0, -1, 0, width])
        # What is cut from a long edge is cut from the other one.
        edges = {"near": "far", "far": "near"}
        other = lambda f: replace(f, side=edges[f.side]) if f.side in edges else replace(f, shape=flip(f.shape))
        features = [other(f) for f in self.features]
        return replace(self, id=self.id + "~mirrored", count=count, outline=flip(self.outline), features=features)


@dataclass
class Cutter:
    id: str
    number: int
    kind: str
    diameter: float
    angle: float
    max_rpm: float


class Documents:
    def __init__(self, job, folder):
        self.job, self.folder = job, Path(folder)
        self.shop = json.loads((self.folder / self.job["shop"]).read_text())
        self.unit = self.job.get("unit", "mm")
        unit = self.shop.get("unit", "mm")
        machines = self.shop["machines"]
        self.machine = machines[self.job.get("machine") or next(iter(machines))]
        self.spoilboard = mm(self.machine.get("spoilboard", 18), unit)
        self.max_feed = mm(self.machine["max-feed"], unit)
        self.cutters = {
            name: Cutter(name, c["number"], c["kind"], mm(c["diameter"], unit), c.get("angle", 0.0), c["max-rpm"])
            for name, c in self.shop["cutters"].items()
        }
        self.stocks = {}
        for stocks, u in ((self.shop.get("stocks", {}), unit), (self.job.get("stocks", {}), self.unit)):
            for name, s in stocks.items():
                readings = s["thickness"] if isinstance(s["thickness"], list) else [s["thickness"]]
                readings = [mm(r, u) for r in readings]
                boards = []
                for b in s.get("boards", []):
                    board = (mm(b["length"], u), mm(b["width"], u), b.get("count", 1))
                    if "thickness" in b:
                        # A board with readings of its own is wood of its own.
                        own = [mm(r, u) for r in b["thickness"]]
                        self.stocks[f"{name}@{b['id']}"] = (min(own), sum(own) / len(own), max(own), [board])
                    else:
                        boards.append(board)
                self.stocks[name] = (min(readings), sum(readings) / len(readings), max(readings), boards)
        for doc in self.job.get("parts", []):
            own = doc.get("blank", {}).get("measured", {}).get("thickness")
            if own:
                own = [mm(r, self.unit) for r in own]
                self.stocks[f"{doc['stock']}:{doc['id']}"] = (min(own), sum(own) / len(own), max(own), [])
        spoken = {name: name.replace("@", ".board.").replace(":", ".blank.") for name in self.stocks}
        readings = {f"stock.{spoken[name]}": exact(high) for name, (_, _, high, _) in self.stocks.items()}
        readings |= {f"stock.{spoken[name]}.thinnest": exact(low) for name, (low, _, _, _) in self.stocks.items()}
        self.names = named(self.job.get("lengths", {}), readings, self.unit)
        self.relief = {"mortise": ("t-bone", "into-short"), "housing": ("dog-bone", "into-short")}
        self.skin = False
        for doc in (self.shop, self.job):
            settings = doc.get("settings", {})
            for kind, r in settings.get("relief", {}).items():
                if isinstance(r, dict):
                    self.relief[kind] = relief_of(r)
            self.skin = settings.get("hold", {}).get("skin", self.skin)
        self.parts = self.described() + self.drawn()
        joints.apply(self, mm)
        only = self.job.get("only")
        if only:
            self.parts = [p for p in self.parts if p.id in only]
            for p in self.parts:
                p.count = only[p.id]
        for p in self.parts:
            p.count *= self.job.get("sets", 1)

    def mm(self, value):
        """A length of the job."""
        return float(Count(self.names, self.unit).length(value))

    def wood(self, doc):
        """The stock of a part: that of its board or blank where this was measured by itself."""
        own = f"{doc['stock']}:{doc['id']}", f"{doc['stock']}@{doc.get('place', {}).get('board')}", doc["stock"]
        return next(stock for stock in own if stock in self.stocks)

    def described(self):
        parts = []
        for doc in self.job.get("parts", []):
            if "blank" in doc:
                outline = self.blank({**doc["blank"], "tenons": doc["blank"].get("tenons", []) + joints.tenons(self, doc)})
            else:
                outline = self.shapes(doc["outline"], box(0, 0, 0, 0))[0]
            x, y, *_ = outline.bounds
            part = Part(
                doc["id"], doc.get("count", 1), self.wood(doc), affinity.translate(outline, -x, -y),
                doc.get("blank", {}).get("dimensioned", False),
            )
            part.relief, part.way = relief_of(doc["relief"]) if "relief" in doc else self.relief.get("outline", ("none", ""))
            for f in doc.get("features", []):
                if f.get("side") in ("near", "far"):
                    # Across the thickness, from the face.
                    part.features += self.features(f, box(0, 0, outline.bounds[2] - x, self.stocks[part.stock][1]))
                else:
                    part.features += [moved(made, -x, -y) for made in self.features(f, outline)]
            parts.append(part)
            if doc.get("mirrored"):
                parts.append(part.mirrored(doc["mirrored"]))
        return parts

    def blank(self, doc):
        length, width = self.mm(doc["length"]), self.mm(doc["width"])
        outline = box(0, 0, length, width)
        for end in ("left", "right"):
            tenons = [t for t in doc.get("tenons", []) if t["end"] == end]
            if not tenons:
                continue
            reach = max(self.mm(t["length"]) for t in tenons)
            away = box(-1, -1, reach, width + 1) if end == "left" else box(length - reach, -1, length + 1, width + 1)
            for t in tenons:
                w = self.mm(t["width"])
                at = self.mm(t["offset"]) if "offset" in t else (width - w) / 2
                bands = [(at, at + w, self.mm(t["length"]))]
                if "haunch" in t:
                    h = t["haunch"]
                    beside = at - self.mm(h["width"]) if h["edge"] == "near" else at + w
                    bands.append((beside, beside + self.mm(h["width"]), self.mm(h["length"])))
                for low, high, long in bands:
                    x0, x1 = (reach - long, length + 2) if end == "left" else (-2, length - reach + long)
                    away = away.difference(box(x0, low, x1, high))
            outline = outline.difference(away)
        return outline

    def shapes(self, doc, part):
        """The shapes of a description; bands that run out go a little beyond the part."""
        (kind, s), = doc.items()
        at = lambda p: (self.mm(p[0]), self.mm(p[1]))
        l = lambda key, other=None: self.mm(s[key]) if key in s else other
        x0, y0, x1, y1 = part.bounds
        beyond = 50.0
        if kind == "rectangle":
            (x, y), (w, h) = at(s["at"]), at(s["size"])
            corners = [(x, y), (x + w, y), (x + w, y + h), (x, y + h)]
            shape = Polygon(rounded(corners, [l("corner", 0.0)] * 4))
            return [affinity.rotate(shape, s.get("angle", 0.0), origin=(x, y))]
        if kind == "circle":
            return [circle(at(s["at"]), l("diameter"))]
        if kind == "circles":
            return [circle(at(c), l("diameter")) for c in s["at"]]
        if kind == "slot":
            return [LineString([at(s["from"]), at(s["to"])]).buffer(l("width") / 2, quad_segs=64)]
        if kind == "across":
            x, w = l("at"), l("width")
            return [box(x - w / 2, l("from", y0 - beyond), x + w / 2, l("to", y1 + beyond))]
        if kind == "along":
            y, w = l("at"), l("width")
            return [box(l("from", x0 - beyond), y - w / 2, l("to", x1 + beyond), y + w / 2)]
        if kind == "at-end":
            n = l("length")
            left = s["end"] == "left"
            return [box(x0 - beyond if left else x1 - n, y0 - beyond, x0 + n if left else x1 + beyond, y1 + beyond)]
        if kind == "at-edge":
            n = l("width")
            near = s["edge"] == "near"
            return [box(x0 - beyond, y0 - beyond if near else y1 - n, x1 + beyond, y0 + n if near else y1 + beyond)]
        points, bulges, radii = [], [], []
        for p in s["points"]:
            full = p if isinstance(p, dict) else {"at": p}
            points.append(at(full["at"]))
            bulges.append(full.get("bulge", 0.0))
            radii.append(self.mm(full.get("round", 0.0)))
        if any(radii):
            return [Polygon(rounded(points, radii))]
        run = [points[0]]
        closed = s.get("closed", True)
        for i in range(len(points) - (0 if closed else 1)):
            run += arc(points[i], points[(i + 1) % len(points)], bulges[i])
        return [Polygon(run) if closed else LineString(run)]

    def features(self, doc, part):
        islands = [shape for i in doc.get("islands", []) for shape in self.shapes(i, part)]
        shapes = self.shapes(doc["shape"], part)
        made = []
        for i, shape in enumerate(shapes):
            for island in islands:
                shape = shape.difference(island)
            name = doc.get("id", doc["kind"]) + (f".{i + 1}" if len(shapes) > 1 or "circles" in doc["shape"] else "")
            made.append(self.feature(name, doc["kind"], shape, doc, None))
        return made

    def feature(self, name, kind, shape, doc, captured_depth):
        relief, way = relief_of(doc["relief"]) if "relief" in doc else self.relief.get(kind, ("none", ""))
        f = Feature(name, kind, shape, relief=relief, way=way)
        depth = captured_depth if captured_depth is not None else doc.get("depth")
        f.through = depth == "through" or kind == "cutout"
        if not f.through:
            f.left = self.mm(doc["left"]) if "left" in doc else None
            f.depth = self.mm(depth) if depth is not None else None
        f.side = "face" if f.through else doc.get("side", "face")
        f.hand = doc.get("if-unreachable") == "hand"
        f.leave = self.mm(doc.get("leave", 0))
        f.by_hand_corners = doc.get("relief", {}).get("by-hand", False)
        return f

    def drawn(self):
        parts = []
        for drawing in self.job.get("drawings", []):
            found = []
            for layer, shape in contours_of(self.folder / drawing["file"], arc, chords):
                rule = next((r for r in drawing["layers"] if re.fullmatch(r["layer"], layer)), None)
                if rule and not rule.get("ignore"):
                    found.append((rule, re.fullmatch(rule["layer"], layer).groupdict(), shape))
            outlines = [Polygon(s) for r, _, s in found if r["make"] == "outline"]
            # Rows from the bottom, each from the left.
            outlines.sort(key=lambda o: (round(o.bounds[1] / (0.5 * (o.bounds[3] - o.bounds[1]))), o.bounds[0]))
            for number, outline in enumerate(outlines, 1):
                name = f"{drawing['id']}/{number}"
                named = drawing.get("parts", {}).get(name, {})
                x, y, *_ = outline.bounds
                count = named.get("count", 1) * drawing.get("copies", 1)
                part = Part(named.get("id", name), count, drawing["stock"], affinity.translate(outline, -x, -y), False)
                if drawing.get("layout") == "as-drawn":
                    part.drawn_at = (drawing["id"], x, y)
                for f in self.grouped(found, outline, outlines):
                    part.features.append(moved(f, -x, -y))
                for doc in named.get("features", []):
                    part.features += self.features(doc, part.outline)
                rule = next(r for r, _, _ in found if r["make"] == "outline")
                part.relief, part.way = relief_of(rule["relief"]) if "relief" in rule else self.relief.get("outline", ("none", ""))
                parts.append(part)
                if named.get("mirrored"):
                    parts.append(part.mirrored(named["mirrored"]))
        return parts

    def grouped(self, found, outline, outlines):
        """Features of the outline that holds most of each; a contour inside another of its layer is an island of it."""
        made = []
        share = lambda s, o: s.intersection(o).area or s.intersection(o).length
        for rule in {id(r): r for r, _, _ in found if r["make"] != "outline"}.values():
            kind = rule["make"]
            own = [(g, s) for r, g, s in found if r is rule]
            closed = lambda s: len(s) > 2 and s[0] == s[-1]
            shapes = [(g, LineString(s) if kind == "engraving" or not closed(s) else Polygon(s)) for g, s in own]
            shapes = [(g, s) for g, s in shapes if max(outlines, key=lambda o: share(s, o)) is outline and share(s, outline)]
            for g, s in shapes:
                if kind != "engraving" and any(o.contains(s) and o is not s for _, o in shapes):
                    continue
                if kind != "engraving":
                    for _, inner in shapes:
                        if inner is not s and s.contains(inner):
                            s = s.difference(inner)
                depth = float(g["depth"]) if g.get("depth") else None
                made.append(self.feature(kind, kind, s, rule, depth))
        return made


def relief_of(doc):
    if doc.get("by-hand"):
        return "none", ""
    return doc.get("kind", "dog-bone"), doc.get("way", "into-short")


def moved(f, x, y):
    f.shape = affinity.translate(f.shape, x, y)
    return f
