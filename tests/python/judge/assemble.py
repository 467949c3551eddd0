"""Puts a mortise-and-tenon joint together with shapely, from the job and the programs' texts alone.

Cases come as JSON lines on standard input: {"job", "shop", "programs": [[name, text], ...], "squared": [[part, feature], ...]}, the last
being what the hand-work list has squared. Each is answered by {"open": mm, "cheeks": [least, greatest], "ends": [least, greatest],
"visible": [mm² where it goes in, mm² where it comes out]}.
"""
import json
import sys
import tempfile
from pathlib import Path

import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, box

from documents import Documents, mm
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
    """Where each part was cut: {part: (part, at, cuts)}."""
    by_setup, found = {}, {}
    for p in programs:
        by_setup.setdefault((p.says("setup: ") or "?").split(",")[0], []).append(p)
    for name, own in by_setup.items():
        setup = Setup(name, own, documents)
        for piece in setup.judge():
            found.setdefault(piece.part.id, (piece.part, piece.at, setup.cuts))
    return found


class Tenon:
    def __init__(self, documents, part, at, cuts, doc, end, squared):
        _, _, length, width = part.outline.bounds
        self.long, self.wide = mm(doc["length"], documents.unit), mm(doc["width"], documents.unit)
        low = mm(doc["offset"], documents.unit) if "offset" in doc else (width - self.wide) / 2
        self.middle, self.shoulders = low + self.wide / 2, (low, width - low - self.wide)
        self.shoulder, self.tip = (self.long, -1) if end == "left" else (length - self.long, 1)
        wood = Wood(documents, part.stock)
        # Half way down: tabs stand lower.
        self.gone = cuts.below((wood.top + wood.highest_bottom) / 2, False).swept()
        self.place = lambda g: at.place(part, g)
        if squared:
            reach = 1.05 * max(c.diameter for c in documents.cutters.values() if c.kind == "end-mill") / 2
            for y in (low, low + self.wide):
                corner = box(self.shoulder - reach, y - reach, self.shoulder + reach, y + reach)
                self.gone = self.gone.union(self.place(corner.difference(part.outline)))

    def across(self, s):
        """How far it goes from its middle to either edge, so far from its shoulder."""
        x = self.shoulder + self.tip * s
        out = []
        for sign in (-1, 1):
            far = self.middle + sign * (self.wide / 2 + 20)
            line = self.place(LineString([(x, self.middle), (x, far)]))
            cut = line.intersection(self.gone)
            start = Point(line.coords[0])
            out.append(start.distance(cut) if not cut.is_empty else self.wide / 2)
        return out


def assemble(case):
    with tempfile.TemporaryDirectory() as folder:
        job = {**case["job"], "shop": "shop.json"}
        (Path(folder) / "shop.json").write_text(json.dumps(case["shop"]))
        documents = Documents(job, folder)
        found = lying(documents, [read(name, text, documents) for name, text in case["programs"]])
        (j,) = job["joints"][0]["joint"].values()
        part, at, cuts = found[j["mortise"]["part"]]
        member = found[j["tenon"]["part"]]
        ends = ["left", "right"] if j["tenon"]["end"] == "both" else [j["tenon"]["end"]]
        squared = {tuple(s) for s in case["squared"]}
        by_hand = (member[0].id, "outline") in squared, (part.id, job["joints"][0]["id"]) in squared
        tenons = [Tenon(documents, *member, j["tenon"], end, by_hand[0]) for end in ends]
        answers = [joined(documents, job, j, part, at, cuts, tenon, by_hand[1]) for tenon in tenons]
    worst = answers[0]
    for a in answers[1:]:
        worst = {
            "open": max(worst["open"], a["open"]),
            "cheeks": [min(worst["cheeks"][0], a["cheeks"][0]), max(worst["cheeks"][1], a["cheeks"][1])],
            "ends": [min(worst["ends"][0], a["ends"][0]), max(worst["ends"][1], a["ends"][1])],
            "visible": [max(p) for p in zip(worst["visible"], a["visible"])],
        }
    return worst


def joined(documents, job, j, part, at, cuts, tenon, squared):
    docs = {p["id"]: p for p in job["parts"]}
    eased = lambda doc: mm(docs[doc["part"]].get("eased", 0), documents.unit)
    thin, _, thick, _ = documents.stocks[docs[j["tenon"]["part"]]["stock"]]
    x, y = (mm(v, documents.unit) for v in j["mortise"]["at"])
    along = j["mortise"]["lies"] == "along"
    wood = Wood(documents, part.stock)
    through = j.get("through", False)
    depth = wood.readings[1] if through else tenon.long
    mouth, round_ = eased(j["mortise"]), eased(j["tenon"])
    feature = next(f for f in part.features if f.id == job["joints"][0]["id"])

    def rect(low, high, half):
        r = box(low, -half, high, half) if along else box(-half, low, half, high)
        return affinity.translate(r, x, y)

    window = at.place(part, rect(-tenon.wide / 2 - 40, tenon.wide / 2 + 40, thick / 2 + 40))
    # Corners squared by hand are as wanted.
    by_hand = at.place(part, feature.shape) if squared else None

    def cut(s):
        swept = cuts.below(wood.top - s, False).swept().intersection(window)
        return shapely.union(swept, by_hand) if by_hand is not None else swept

    answer = {"open": 0.0, "cheeks": [1e9, -1e9], "ends": [1e9, -1e9], "visible": [0.0, 0.0]}
    near = [s for s in NEAR if s < depth - 0.02]
    far = [s for s in (STEP * i for i in range(2, 99)) if s < depth - 0.02]
    for s in near + far + [depth - 0.02]:
        low, high = tenon.across(s)
        body = rect(-low, high, thick / 2)
        if round_:
            r = min(round_, min(low + high, thick) / 2 - CONTACT)
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
            rooms = clear(part, at, cavity, (x, y), along, u, None, thick / 2)
            if rooms:
                answer["cheeks"][0] = min(answer["cheeks"][0], sum(rooms))
                answer["cheeks"][1] = max(answer["cheeks"][1], sum(rooms) + thick - thin)
        rooms = clear(part, at, cavity, (x, y), along, (high - low) / 2, (low + high) / 2, None)
        for room in rooms or []:
            answer["ends"] = [min(answer["ends"][0], room), max(answer["ends"][1], room)]
    least = min(tenon.shoulders)
    cover = rect(-tenon.wide / 2 - least, tenon.wide / 2 + least, thick / 2).buffer(GAP, join_style="mitre")
    answer["visible"][0] = cut(0.02).difference(at.place(part, cover)).area
    if through:
        low, high = tenon.across(depth - 0.02)
        tip = rect(-low, high, thick / 2).buffer(GAP, join_style="mitre")
        answer["visible"][1] = cut(depth - 0.02).difference(at.place(part, tip)).area
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
