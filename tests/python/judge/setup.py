"""One clamping: its programs in their order, the pieces found in it, and what its texts say to the person."""
import re
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import Point, Polygon, box

from cuts import Cuts
from documents import INCH
from piece import TOLERANCE, At, Piece, Wood, place
from texts import Unreadable

# Screws have heads of this diameter, mm, unless the shop says otherwise.
HEAD_MM = 8.0
# Locating lines go so deep into the spoilboard, mm.
LINE_LEAST, LINE_MOST = 0.5, 2.5
# Through cuts go at most so far into the spoilboard, mm.
INTO_SPOILBOARD = 0.5 + 1e-3


def part_of(piece):
    """`rail#2` is a copy of `rail`."""
    return piece.split("#")[0] if piece else None


@dataclass
class Found:
    faults: list
    part: object
    at: At
    # What the steps call it.
    name: str


class Setup:
    def __init__(self, name, programs, documents):
        self.name, self.programs, self.documents = name, programs, documents
        self.faults, self.wood = [], None
        moves, self.screws, pauses = [], [], 0
        for p in programs:
            for m in p.moves:
                m.after_pauses += pauses
            moves += p.moves
            for words in p.pauses:
                pauses += 1
                self.screws += self.screws_in(words, pauses)
        if any(m.cutter is None for m in moves):
            raise Unreadable(f"cutter: {name}: no text names the cutter of some cuts")
        self.cuts = Cuts(moves)

    def screws_in(self, words, pause):
        scale = INCH if self.documents.machine.get("program-unit", "mm") == "in" else 1.0
        # "Drive 5 screws, 4 mm thick, 31 to 37 mm long, into the pilots at [402.5, 178] [402.5, 242]"
        _, _, told = words.rpartition("rive ")
        return [(float(x) * scale, float(y) * scale, pause) for x, y in re.findall(r"\[([-\d.]+), ([-\d.]+)\]", told)]

    def fault(self, kind, words):
        self.faults.append(f"{kind}: {self.name}: {words}")

    def says(self, start, want):
        for p in self.programs:
            said = p.says(start)
            if said is None or not want(said):
                self.fault("head of a program", f"{p.name} says {start}{said}")

    def heads(self):
        d = self.documents
        self.says("job: ", lambda s: s == d.job["name"])
        bed = d.machine["z-zero"] == "bed"
        lines = self.stock is None
        on = "Z0 on the spoilboard" if bed or lines else "Z0 on the upper face of the wood"
        self.says("zero: ", lambda s: s.endswith(on) and s.startswith("X0 Y0"))
        if self.wood and self.wood.on_edge:
            self.says("piece: ", self.height)
        elif self.wood:
            self.says("wood: ", self.thickness)
        for p in self.programs:
            if p.remarks and p.name.split(".")[0] not in p.remarks[:2]:
                self.fault("head of a program", f"{p.name} calls itself {p.remarks[0]}")

    def thickness(self, said):
        found = re.match(r"([\d.]+)(?: to ([\d.]+))? (mm|in) thick", said)
        low, high = float(found.group(1)), float(found.group(2) or found.group(1))
        scale = INCH if found.group(3) == "in" else 1.0
        thin, _, thick = self.wood.readings
        return abs(low * scale - thin) < 0.02 and abs(high * scale - thick) < 0.02

    def height(self, said):
        """Of a piece that stands on an edge."""
        found = re.match(r"(?:near|far) edge up, ([\d.]+) (mm|in) high$", said)
        scale = INCH if found and found.group(2) == "in" else 1.0
        return found and abs(float(found.group(1)) * scale - self.wood.on_edge) < 0.02

    @property
    def stock(self):
        said = self.programs[0].says("setup: ") or ""
        found = re.search(r"stock (\S+)$", said)
        return found.group(1) if found else None

    @property
    def kind(self):
        return self.name.split("-")[0]

    def judge(self):
        """The pieces that are cut here."""
        if self.stock is None:
            self.lines()
            return []
        if self.stock not in self.documents.stocks:
            self.fault("wood", f"there is no stock {self.stock}")
            return []
        wood = self.wood = Wood(self.documents, self.stock)
        parts = [p for p in self.documents.parts if p.stock == self.stock]
        if self.kind == "blank":
            lying = [At(False, side=side) for side in ("face", "back", "near", "far")] + [At(False, side="back", over_end=True)]
            places = [[(p, at) for p in parts for at in lying if at.side in p.sides() and (at.side != "face" or p.dimensioned)]]
        else:
            places = self.found([p for p in parts if not p.dimensioned], wood)
        if [] in places:
            self.fault("wood", f"no part of {self.stock} is laid down as a blank")
        places = [options for options in places if options]
        pieces = []
        for options, names in zip(places, self.called(places)):
            # Of parts that are alike, the one that the steps name.
            name = names[0] if names else None
            options.sort(key=lambda o: o[0].id != part_of(name))
            faults, part, at = self.best(options)
            if len(names) != 1 or part_of(name) != part.id:
                self.fault("label", f"{part.id} at ({at.x:.1f}, {at.y:.1f}) is called {names}")
            pieces.append(Found(faults, part, at, name))
            self.wood = Wood(self.documents, self.stock, at.on_edge(part))
        self.spoilboard(self.wood)
        self.over_screws(self.wood)
        return pieces

    def called(self, places):
        """By which names of pieces the steps call what lies at each place."""
        if not places:
            return []
        outlines = [at.place(part, part.outline) for part, at in (options[0] for options in places)]
        steps = {}
        for m in self.cuts.moves:
            if not m.rapid and " / " in m.step:
                steps.setdefault(m.step, []).append(m.points[-1][:2])
        called = [set() for _ in places]
        for step, points in steps.items():
            middle = Point(np.mean([np.min(points, axis=0), np.max(points, axis=0)], axis=0))
            nearest = min(range(len(outlines)), key=lambda i: outlines[i].distance(middle))
            # "9: rail / outline"
            called[nearest].add(step.split(" / ")[0].split(": ")[1])
        return [sorted(names) for names in called]

    def best(self, options):
        """The way to see a piece that has the fewest faults."""
        seen = []
        for part, at in options:
            piece = Piece(part, self.documents, at, self.cuts)
            seen.append((piece.judge(self.screws, self.documents), part, at))
            if not seen[-1][0]:
                break
        return min(seen, key=lambda s: len(s[0]))

    def found(self, parts, wood):
        """Pieces by the kerfs round them: for each, the parts that it may be, and how they lie."""
        level = wood.bottom + min(5.2, 0.35 * (wood.top - wood.bottom))
        swept = self.cuts.below(level, False).swept()
        kerfs = [g for g in getattr(swept, "geoms", [swept]) if not g.is_empty]
        rings = [Polygon(r) for k in kerfs for r in k.interiors if Polygon(r).area > 25]
        out, inside = [], []
        for ring in sorted(rings, key=lambda r: -r.area):
            options = []
            for part in parts:
                for turn in (0, 180):
                    turned = affinity.rotate(part.outline, turn, origin=(0, 0))
                    x, y = ring.bounds[0] - turned.bounds[0], ring.bounds[1] - turned.bounds[1]
                    moved = affinity.translate(turned, x, y)
                    size = max(abs(a - b) for a, b in zip(moved.bounds, ring.bounds))
                    # Corners that a cutter does not reach stay, so a ring may be somewhat larger than its part.
                    if size < 3 and moved.symmetric_difference(ring).area < 0.02 * moved.area + 60:
                        options.append((part, At(True, x, y, turn)))
            if options:
                out.append(options)
                inside.append(ring.buffer(1))
            elif not any(i.contains(ring) for i in inside):
                # A frame between kerfs is waste; a piece of the size of a part is not.
                if ring.area > 0.5 * min(p.outline.area for p in parts or [0]):
                    self.fault("piece that nobody wants", f"at {place(ring.centroid.coords[0])}, {ring.area:.0f} mm²")
        return out

    def spoilboard(self, wood):
        for m in self.cuts.moves:
            lowest = min(p[2] for p in m.points)
            pilot = "pilot" in m.step
            least = wood.bottom - (self.documents.spoilboard - 1 if pilot else INTO_SPOILBOARD)
            if lowest < least - 1e-6:
                return self.fault("too deep", f"line {m.line} ({m.step}) to {lowest:.3f}")

    def over_screws(self, wood):
        reach = self.cuts.below(wood.top - 0.01, True)
        for x, y, pause in self.screws:
            if reach.tree is None:
                return
            for depth, index in reach.into(Point(x, y).buffer(HEAD_MM / 2), 0.01):
                m = self.cuts.moves[self.cuts.owner[index]]
                if m.after_pauses >= pause:
                    return self.fault("screw hit", f"at {place((x, y))}, line {m.line} ({m.step})")

    def lines(self):
        """Round a blank at zero: its edges are where the cut begins."""
        reach = self.cuts.below(-LINE_LEAST, True)
        blanks = [p.outline for p in self.documents.parts if p.dimensioned]
        right = False
        for outline in blanks:
            ring = np.array([outline.exterior.interpolate(i / 400, normalized=True).coords[0] for i in range(400)])
            out = np.array(outline.buffer(TOLERANCE, join_style="mitre").exterior.coords)
            ring = np.array([shapely.Polygon(out).exterior.interpolate(i / 400, normalized=True).coords[0] for i in range(400)])
            right |= reach.covered(ring, 0.02).all() and not reach.into(outline.buffer(-TOLERANCE), 0.01)
        if not right:
            self.fault("locating lines", "they do not lie round a blank at zero")
        if min((min(p[2] for p in m.points) for m in self.cuts.moves), default=0) < -LINE_MOST:
            self.fault("too deep", "locating lines")
