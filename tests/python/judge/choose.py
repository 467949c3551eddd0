"""Tries every answer for the corners of a mortise and tenon, and says which is best, from the job and the shop alone.

Nothing of the project is asked: shapes come from section 8 of the reference facts (fillets, T-bones, dog-bones, what easing clears), the
rules from docs/joints.md. Cases come as JSON lines on standard input: {"job", "shop"}, lengths in mm, one joint, one end mill. Each is
answered by {"cost": [mm² on sides that show, corners by hand, mm² on sides inside, share of the bending section lost], "visible": [[mm²
where it goes in, mm² where it comes out, mm² at the shoulder], ...]}, the last of all that cost the same.
"""
import itertools
import json
import math
import sys

from shapely.geometry import LineString, Point, box
from shapely.ops import unary_union

from joints import END, LEAST, STEP

# Relief margin, the most that a tenon may lose of its bending section (defaults of the settings).
MARGIN, MOST_LOSS = 0.1, 0.2
# What is no farther from the mate is the gap of the fit; what a shoulder goes on past what it covers; wood that is kept, mm.
GAP, SPARE, KEPT = 1.0, 1.5, 3.0
CONTACT, NOTHING = 0.01, 1e-3
DEPTHS = [0.02, 0.05, 0.1, 0.2, 0.4, 0.7, 1, 1.5, 2, 2.5, 3, 4, 5, 7, 9, 12]
ENDS = ["as it is", "longer", "longer for both", "lobes", "by hand"]
ROOTS = ["stays", "t-bone", "dog-bone", "by hand"]


def round_(x, y, r):
    return Point(x, y).buffer(r, quad_segs=64)


def opened(shape, r):
    """What a round cutter reaches of a shape."""
    return shape.buffer(-r, join_style="mitre").buffer(r, quad_segs=64)


class Case:
    def __init__(self, job, shop):
        (joint,) = job["joints"]
        (j,) = joint["joint"].values()
        self.parts = {p["id"]: p for p in job["parts"]}
        tenon, mortise = j["tenon"], j["mortise"]
        rail, leg = self.parts[tenon["part"]], self.parts[mortise["part"]]
        (cutter,) = [c for c in shop["cutters"].values() if c["kind"] == "end-mill"]
        self.r = cutter["diameter"] / 2
        self.margin = min(MARGIN, self.r / 2)
        self.t = max(shop["stocks"][rail["stock"]]["thickness"])
        self.thick = math.ceil((self.t + LEAST[joint.get("fit", "push")]) / STEP - 1e-6) * STEP
        self.w, whole = tenon["width"], rail["blank"]["width"]
        low = tenon.get("offset", (whole - self.w) / 2)
        self.shoulders = [low, whole - low - self.w]
        self.has_corner = [s > 1e-6 for s in self.shoulders]
        # It may go in either way round.
        self.covers = min(self.shoulders)
        # Easing counts where it clears the fillet.
        clears = lambda p: p.get("eased", 0) if p.get("eased", 0) >= self.r - 1e-6 else 0
        self.rail_eased, self.leg_eased = clears(rail), clears(leg)
        self.spare = SPARE + rail.get("eased", 0)
        seen = lambda p, side: p.get("seen", {}).get(side, "show")
        self.entry = seen(leg, "face")
        self.exit = seen(leg, "back") if j.get("through") else None
        self.shoulder_seen = [seen(rail, "face"), seen(rail, "back")]
        size = leg["blank"]
        self.leg = box(0, 0, size["length"], size["width"]).buffer(1e-6, join_style="mitre")
        self.at, self.along = mortise["at"], mortise["lies"] == "along"

    def mouth(self, answer):
        """The half of the opening at one end, its middle at 0."""
        far, half = self.w / 2 + END, self.thick / 2
        longer = {"longer": self.r, "longer for both": 2 * self.r}.get(answer, 0)
        whole = box(-far - longer, -half, far + longer, half)
        shape = whole if answer == "by hand" else opened(whole, self.r)
        if answer == "lobes":
            ways = [LineString([(far - self.r, y), (far + self.margin, y)]) for y in (half - self.r, self.r - half)]
            shape = unary_union([shape] + [way.buffer(self.r, quad_segs=64) for way in ways])
        return shape.intersection(box(0, -1e3, 1e3, 1e3))

    def edge(self, answer, s):
        """How far the tenon goes from its middle to one edge, so far from its shoulder."""
        half, r, m = self.w / 2, self.r, self.margin
        chord = lambda at: math.sqrt(max(r * r - at * at, 0))
        if answer == "stays" and s < r:
            return half + r - chord(r - s)
        if answer == "t-bone" and s < 2 * r:
            return half - m - chord(s - r)
        if answer == "dog-bone":
            centre = (r - m) / math.sqrt(2)
            if abs(s - centre) < r:
                return min(half, half + centre - chord(s - centre))
        return half

    def closes(self, root, end):
        mouth = self.mouth(end)
        for s in DEPTHS:
            b = box(-self.w / 2, -self.t / 2, self.edge(root, s), self.t / 2)
            if self.rail_eased:
                b = opened(b, min(self.rail_eased, self.t / 2 - CONTACT))
            cavity = mouth
            if self.leg_eased > s:
                e = self.leg_eased
                cavity = mouth.buffer(e - math.sqrt(e * e - (e - s) ** 2), quad_segs=64)
            body = b.intersection(box(0.5, -1e3, 1e3, 1e3)).buffer(-CONTACT)
            if body.difference(cavity).area > NOTHING:
                return False
        return True

    def has_wood(self, end, reach):
        far, half = self.w / 2 + END, self.thick / 2
        low, high = (far + reach, far) if end == 0 else (far, far + reach)
        u, v = (-low - KEPT, high + KEPT), (-half - KEPT, half + KEPT)
        (x0, x1), (y0, y1) = (u, v) if self.along else (v, u)
        return self.leg.contains(box(self.at[0] + x0, self.at[1] + y0, self.at[0] + x1, self.at[1] + y1))

    def end(self, answer, end):
        """What an answer at an end costs, and how much is open where the tenon goes in and comes out; nothing where it cannot be."""
        reach = {"longer": self.r, "longer for both": 2 * self.r, "lobes": self.r + self.margin}.get(answer, 0)
        if reach and not self.has_wood(end, reach):
            return None
        if reach and self.entry == "show" and END + reach + self.spare > self.covers + 1e-6:
            return None
        mouth = self.mouth(answer)
        beyond = lambda u, v: mouth.difference(box(-1e3, -v, self.w / 2 + u, v)).area
        entry = beyond(self.covers + GAP, 1e3)
        exit_ = beyond(GAP, self.t / 2 + GAP) if self.exit else 0
        return 2 * (answer == "by hand"), entry, exit_

    def notch(self, answer, edge):
        """What is open of the shoulder at one edge, seen on the face: as far as there is wood."""
        if answer != "dog-bone":
            return 0
        centre = (self.r - self.margin) / math.sqrt(2)
        return round_(centre, centre, self.r).intersection(box(-1e3, -1e3, 0, self.shoulders[edge])).area


def best(case):
    c = Case(**case)
    closes = {(r, e): c.closes(r, e) for r in ROOTS for e in ENDS}
    places = [s / 50 for s in range(1, 1000)]
    half = {r: [min(c.edge(r, s), c.w / 2) for s in places] for r in ROOTS} | {None: [c.w / 2] * len(places)}
    ends = [[(a, c.end(a, k)) for a in ENDS] for k in (0, 1)]
    found = []
    # A lobe needs a shoulder that the cutter comes along.
    roots = [([r for r in ROOTS if s >= c.r or "bone" not in r] if corner else [None]) for corner, s in zip(c.has_corner, c.shoulders)]
    for a, b in itertools.product(*roots):
        lost = 1 - (max(min(x + y for x, y in zip(half[a], half[b])), 0) / c.w) ** 2
        if lost > MOST_LOSS + 1e-9:
            continue
        notches = sum(c.notch(r, k) for k, r in enumerate((a, b)))
        for (near, n), (far, f) in itertools.product(*ends):
            if not n or not f:
                continue
            # An edge without a shoulder goes in as one that was squared.
            if not all(closes[r or "by hand", e] for r in (a, b) for e in (near, far)):
                continue
            visible = [n[1] + f[1], n[2] + f[2], notches]
            seen = [(visible[0], c.entry), (visible[1], c.exit)] + [(notches, s) for s in c.shoulder_seen]
            show, inside = (sum(v for v, s in seen if s == rank and v > NOTHING) for rank in ("show", "inside"))
            by_hand = n[0] + f[0] + sum(r == "by hand" for r in (a, b))
            found.append(((round(show, 2), by_hand, round(inside, 2), round(lost, 4)), visible, (a, b, near, far)))
    cost = min(f[0] for f in found)
    alike = [f for f in found if f[0][:2] == cost[:2] and cost[2] + 0.05 > f[0][2] and f[0][3] < cost[3] + 0.005]
    return {"cost": cost, "visible": [f[1] for f in alike], "answers": [f[2] for f in alike]}


for line in sys.stdin:
    print(json.dumps(best(json.loads(line))), flush=True)
