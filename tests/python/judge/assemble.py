"""Puts a mortise-and-tenon joint together with shapely, from the job and the programs' texts alone.

Cases come as JSON lines on standard input: {"job", "shop", "programs": [[name, text], ...], "squared": [[part, feature], ...]}, the last
being what the hand-work list has squared. Each is answered by a list, for each mortise {"open": mm, "cheeks": [least, greatest], "ends": [least, greatest],
"visible": [mm² where it goes in, mm² where it comes out, mm² at the shoulder]}.
"""
import json
import sys
import tempfile
from pathlib import Path

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, box

from documents import Documents, mm
from joints import END, GLUE, lows, span
from piece import Wood
from setup import Setup
from texts import read

# Contact is no interference, mm; less overlap than this is flattening, mm².
CONTACT, NOTHING = 0.01, 1e-3
# What is no farther from the mate is the gap of the fit, mm.
GAP = 1.0
# Places near a shoulder, where fillets are, and then every so many mm.
NEAR = [0.02, 0.1, 0.2, 0.4, 0.7, 1.0, 1.5, 2.0, 2.5, 3.0, 4.0, 5.0]
STEP = 3.0


def lying(documents, programs):
    """Where each side of each part was cut: {(part, side): (part, at, cuts)}."""
    by_setup, found = {}, {}
    for p in programs:
        by_setup.setdefault((p.says("setup: ") or "?").split(",")[0], []).append(p)
    for name, own in by_setup.items():
        setup = Setup(name, own, documents)
        for piece in setup.judge():
            found.setdefault((piece.part.id, piece.at.side), (piece.part, piece.at, setup.cuts))
    return found


class Tenon:
    def __init__(self, documents, piece, back, doc, end, low, squared):
        part, self.at, self.cuts = piece
        _, _, length, width = part.outline.bounds
        self.across_all = width
        self.part, self.back = part, back
        self.long, self.wide = documents.mm(doc["length"]), documents.mm(doc["width"])
        self.middle = low + self.wide / 2
        self.shoulder, self.tip = (self.long, -1) if end == "left" else (length - self.long, 1)
        self.wood = wood = Wood(documents, part.stock)
        self.thickest = span(documents, doc, part.stock)[1]
        self.haunch = documents.mm(doc["haunch"]["length"]) if "haunch" in doc else None
        self.thin = documents.mm(doc["thickness"]) if "thickness" in doc else None
        # Below what thins it, and above tabs.
        left = 0.5 * wood.readings[1]
        if self.thin:
            left = 0.75 * (self.thin + documents.mm(doc.get("back-shoulder", 0)))
        share = left / wood.readings[1]
        self.level = wood.highest_bottom + share * (wood.top - wood.highest_bottom)
        self.gone = swept(self.cuts, self.level)
        self.edges = [low, low + self.wide]
        if "haunch" in doc:
            k, out = (0, -1) if doc["haunch"]["edge"] == "near" else (1, 1)
            self.edges[k] += out * documents.mm(doc["haunch"]["width"])
        # From where to where all tenons of the joint go, with their haunch.
        beside = [y - edge for y, edge in zip(self.edges, (low, low + self.wide))]
        own = lows(documents, doc, width)
        self.least = own[0] + beside[0], own[-1] + self.wide + beside[1]
        if squared:
            reach = 1.05 * max(c.diameter for c in documents.cutters.values() if c.kind == "end-mill") / 2
            for x, y in [(self.shoulder, y) for y in self.edges] + [
                (self.shoulder + self.tip * (self.haunch or 0), y) for y in (low, low + self.wide)
            ]:
                corner = box(x - reach, y - reach, x + reach, y + reach)
                self.gone = self.gone.union(self.place(corner.difference(part.outline)))

    def place(self, g):
        return self.at.place(self.part, g)

    def thickness(self, s):
        """Of the thickest, so far from the shoulder."""
        if not self.thin:
            return self.thickest
        found = []
        for share in (0.1, 0.5, 0.9):
            here = Point(self.shoulder + self.tip * s, self.middle + (share - 0.5) * self.wide)
            left = self.wood.readings[1]
            for part, at, cuts in [(self.part, self.at, self.cuts)] + ([self.back] if self.back else []):
                left -= max(self.wood.top - lowest(cuts, at.place(part, here)), 0)
            found.append(left)
        return max(found) + self.thickest - self.thin

    def notches(self):
        """What is gone of the wood behind the shoulder, beside the root."""
        inwards = -self.tip
        area = 0.0
        for y in (self.middle - self.wide / 2, self.middle + self.wide / 2):
            if 1e-6 < y < self.across_all - 1e-6:
                low, high = sorted((self.shoulder + inwards * CONTACT, self.shoulder + inwards * 12))
                beside = box(low, max(y - 12, CONTACT), high, min(y + 12, self.across_all - CONTACT))
                area += self.place(beside).intersection(self.gone).area
        return area

    def across(self, s):
        """How far it goes from its middle to either edge, so far from its shoulder."""
        x = self.shoulder + self.tip * s
        out = []
        for sign in (-1, 1):
            far = self.middle + sign * (self.wide / 2 + 80)
            line = self.place(LineString([(x, self.middle), (x, far)]))
            cut = line.intersection(self.gone)
            start = Point(line.coords[0])
            out.append(start.distance(cut) if not cut.is_empty else self.wide / 2)
        return out


def lowest(cuts, place):
    """The lowest height that level cuts reach at a place."""
    if not hasattr(cuts, "level"):
        level = abs(cuts.a[:, 2] - cuts.b[:, 2]) < 1e-6
        lines = shapely.linestrings(np.stack([cuts.a[level, :2], cuts.b[level, :2]], axis=1))
        cuts.level = lines, cuts.radius[level], cuts.a[level, 2]
    lines, radius, height = cuts.level
    return min(height[shapely.distance(lines, place) <= radius], default=float("inf"))


def swept(cuts, level):
    """What is swept at a height, once for all mates."""
    known = cuts.__dict__.setdefault("swept", {})
    if level not in known:
        known[level] = cuts.below(level, False).swept()
    return known[level]


def assemble(case):
    with tempfile.TemporaryDirectory() as folder:
        job = {**case["job"], "shop": "shop.json"}
        (Path(folder) / "shop.json").write_text(json.dumps(case["shop"]))
        documents = Documents(job, folder)
        found = lying(documents, [read(name, text, documents) for name, text in case["programs"]])
        (j,) = job["joints"][0]["joint"].values()
        into = found[j["mortise"]["part"], "face"]
        member, back = found[j["tenon"]["part"], "face"], found.get((j["tenon"]["part"], "back"))
        ends = ["left", "right"] if j["tenon"]["end"] == "both" else [j["tenon"]["end"]]
        squared = {tuple(s) for s in case["squared"]}
        by_hand = (member[0].id, "outline") in squared
        own = lows(documents, j["tenon"], member[0].outline.bounds[3])
        tenons = [Tenon(documents, member, back, j["tenon"], end, low, by_hand) for end in ends for low in own]
        name = job["joints"][0]["id"]
        names = [f"{name}.{i + 1}" for i in range(len(own))] if len(own) > 1 else [name]
        return [
            worst([joined(documents, job, j, into, tenon, mortise, squared) for tenon in tenons]) for mortise in names
        ]


def worst(answers):
    least, most = (lambda key, i: pick(a[key][i] for a in answers) for pick in (min, max))
    return {
        "open": max(a["open"] for a in answers),
        "cheeks": [least("cheeks", 0), most("cheeks", 1)],
        "ends": [least("ends", 0), most("ends", 1)],
        "visible": [most("visible", i) for i in range(3)],
    }


def joined(documents, job, j, into, tenon, mortise, squared):
    part, at, cuts = into
    docs = {p["id"]: p for p in job["parts"]}
    eased = lambda doc: mm(docs[doc["part"]].get("eased", 0), documents.unit)
    thin, thick = span(documents, j["tenon"], documents.wood(docs[j["tenon"]["part"]]))
    along = j["mortise"]["lies"] == "along"
    wood = Wood(documents, part.stock)
    through = j.get("through", False)
    depth = wood.readings[1] if through else tenon.long
    mouth, round_ = eased(j["mortise"]), eased(j["tenon"])
    name = job["joints"][0]["id"]
    feature = next(f for f in part.features if f.id == mortise)
    # The other mortises of the joint, and the shallow one of a haunch.
    others = [f for f in part.features if f.id.startswith(name + ".") and f.id != mortise]
    centre = feature.shape.centroid
    x, y = centre.x, centre.y

    def rect(low, high, half):
        r = box(low, -half, high, half) if along else box(-half, low, half, high)
        return affinity.translate(r, x, y)

    # Half way to the next mortise.
    own = rect(-tenon.wide / 2 - 40, tenon.wide / 2 + 40, thick / 2 + 40)
    for other in others:
        gap = other.shape.distance(feature.shape)
        if gap > 0:
            sign = 1 if (other.shape.centroid.x - x) + (other.shape.centroid.y - y) > 0 else -1
            beyond = rect(tenon.wide / 2 + END + gap / 2, 1e3, 1e3) if sign > 0 else rect(-1e3, -tenon.wide / 2 - END - gap / 2, 1e3)
            own = own.difference(beyond)
    window = at.place(part, own)
    # Corners squared by hand are as wanted.
    haunches = [f for f in others if f.id.endswith(".haunch")]
    by_hand = [(at.place(part, f.shape), f.depth if f in haunches else 1e9) for f in [feature] + haunches if (part.id, f.id) in squared]

    def cut(s):
        return shapely.union_all([swept(cuts, wood.top - s).intersection(window)] + [shape for shape, deep in by_hand if s < deep])

    answer = {"open": 0.0, "cheeks": [1e9, -1e9], "ends": [1e9, -1e9], "visible": [0.0, 0.0, 0.0]}
    places = NEAR + [STEP * i for i in range(2, 99)]
    if tenon.haunch:
        places += [tenon.haunch + s for s in NEAR] + [tenon.haunch - 0.02]
        # The floor under the haunch is neither in it nor below it.
        places = [s for s in places if abs(s - tenon.haunch - GLUE) >= 0.04]
    for s in sorted(s for s in places if s < depth - 0.02) + [depth - 0.02]:
        low, high = tenon.across(s)
        own_thick = tenon.thickness(s)
        body = rect(-low, high, own_thick / 2)
        if round_:
            r = min(round_, min(low + high, own_thick) / 2 - CONTACT)
            body = body.buffer(-r, join_style="mitre").buffer(r, quad_segs=64)
        cavity = cut(s)
        rise = max(mouth - s, 0.0)
        if mouth and rise:
            cavity = cavity.buffer(mouth - (mouth**2 - rise**2) ** 0.5, quad_segs=64)
        placed = at.place(part, body)
        if placed.buffer(-CONTACT).difference(cavity).area > NOTHING:
            answer["open"] = max(answer["open"], s)
        for share in (0.1, 0.5, 0.9):
            u = -low + share * (low + high)
            rooms = clear(part, at, cavity, (x, y), along, u, None, own_thick / 2)
            if rooms:
                answer["cheeks"][0] = min(answer["cheeks"][0], sum(rooms))
                answer["cheeks"][1] = max(answer["cheeks"][1], sum(rooms) + thick - thin)
        rooms = clear(part, at, cavity, (x, y), along, (high - low) / 2, (low + high) / 2, None)
        for room in rooms or []:
            answer["ends"] = [min(answer["ends"][0], room), max(answer["ends"][1], room)]
    # The tenons and their haunch, and as much beside them as the narrower shoulder.
    whole = tenon.across_all
    least = min(tenon.least[0], whole - tenon.least[1])
    together = feature.shape
    for other in others:
        together = together.union(other.shape)
    x0, y0, x1, y1 = together.bounds
    grow = least - END
    cover = box(x0 - grow, y - thick / 2, x1 + grow, y + thick / 2) if along else box(x - thick / 2, y0 - grow, x + thick / 2, y1 + grow)
    cover = cover.buffer(GAP, join_style="mitre")
    answer["visible"][0] = cut(0.02).difference(at.place(part, cover)).area
    if through:
        low, high = tenon.across(depth - 0.02)
        tip = rect(-low, high, tenon.thickness(depth - 0.02) / 2).buffer(GAP, join_style="mitre")
        answer["visible"][1] = cut(depth - 0.02).difference(at.place(part, tip)).area
    notched = tenon.notches()
    answer["visible"][2] = notched if notched > NOTHING else 0.0
    return answer


def clear(part, at, cavity, middle, along, u, half_long, half_thick):
    """How far the cavity goes on beyond both sides of the mate, along a line through it: across at `u`, or along."""
    x, y = middle
    if half_long is None:
        ends = ((u, -60), (u, 60))
        half, centre = half_thick, (u, 0)
    else:
        ends = ((-200, 0), (200, 0))
        half, centre = half_long, (u, 0)
    turn = lambda p: (x + p[0], y + p[1]) if along else (x + p[1], y + p[0])
    line = at.place(part, LineString([turn(ends[0]), turn(ends[1])]))
    here = at.place(part, Point(turn(centre)))
    inside = line.intersection(cavity)
    for run in getattr(inside, "geoms", [inside]):
        if run.distance(here) < 1e-6 and run.length > 0:
            a, b = Point(run.coords[0]), Point(run.coords[-1])
            return [a.distance(here) - half, b.distance(here) - half]
    return None


for line in sys.stdin:
    print(json.dumps(assemble(json.loads(line))), flush=True)
