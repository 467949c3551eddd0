"""One wooden piece against what was cut where it lies."""
import math
from dataclasses import dataclass

import numpy as np
import shapely
from shapely import affinity
from shapely.geometry import LineString, Point, Polygon, box

from documents import CORNER_TURN

# How far a wall or a floor may be from where it is wanted, mm.
TOLERANCE = 0.05
# Chords of the judge and of GEOS, mm.
SLACK = 0.012
# A slot may be so much wider than its cutter and still be taken for one pass, mm.
SLOT = 0.03
# Relief reaches so far beyond the corner, mm.
MARGIN = 0.1
# Limits of tabs, mm: what is left standing is neither too weak nor more than bridges.
TAB_LEAST_HEIGHT, TAB_MOST_HEIGHT = 1.95, 6.0
TAB_LEAST, TAB_MOST_NECK = 3.5, 16.0
# In the tip of a narrow corner the judge's disc, which is smaller by SLOT, gets so much farther than the cutter, mm.
SLIVER = 1.2
# Waste smaller than this square is chips, mm².
CHIP = 16.0


class Wood:
    """Heights of a stock as it lies on the machine."""

    def __init__(self, documents, stock, on_edge=None):
        """`on_edge`: how high a piece stands that lies on an edge."""
        thin, mean, thick, self.boards = documents.stocks[stock]
        if on_edge:
            thin = mean = thick = on_edge
        bed = documents.machine["z-zero"] == "bed"
        self.top = mean if bed else 0.0
        self.left = lambda left: left if bed else left - mean
        # A through cut passes the lowest underside; tabs count from the highest.
        self.bottom, self.highest_bottom = (0.0, 0.0) if bed else (-thick, -thin)
        self.readings = thin, mean, thick
        self.on_edge = on_edge
        self.highest_top = thick if bed else 0.0

    def floor(self, f):
        if f.through:
            return self.bottom
        return self.left(f.left) if f.left is not None else self.top - f.depth


def corners(polygon):
    """Inside corners of the space within: (place, direction back, direction on, lengths of both edges)."""
    found = []
    rings = [polygon.exterior.coords] + [r.coords for r in polygon.interiors]
    for n, ring in enumerate(rings):
        points = np.array(ring)[:-1]
        area = shapely.Polygon(points).exterior.is_ccw
        if (n == 0) != area:
            points = points[::-1]
        before = np.roll(points, 1, axis=0) - points
        after = np.roll(points, -1, axis=0) - points
        for p, u, v in zip(points, before, after):
            lu, lv = np.hypot(*u), np.hypot(*v)
            u, v = u / lu, v / lv
            # Left turns of a ring that has its space on the left are corners that a round cutter does not reach.
            turn = math.atan2(-u[0] * v[1] + u[1] * v[0], -(u @ v))
            if turn > CORNER_TURN:
                found.append((p, u, v, lu, lv))
    return found


def lobes(shape, kind, way, radius):
    """Areas that relief may take besides a shape, each with its corner."""
    out = []
    if kind == "none":
        return out
    for p, u, v, lu, lv in corners(shape):
        bisector = u + v
        if np.hypot(*bisector) < 1e-6:
            continue
        bisector /= np.hypot(*bisector)
        half = math.acos(max(-1.0, min(1.0, float(u @ v)))) / 2
        start = p + bisector * radius / math.sin(half)
        if kind == "dog-bone":
            ends = [p + bisector * (radius - MARGIN)]
        else:
            along = abs(u[0]) >= abs(v[0])
            keep_v = {"into-short": lu <= lv, "into-long": lu >= lv, "into-along": along, "into-across": not along}[way]
            equal = way in ("into-short", "into-long") and abs(lu - lv) < 0.01
            ends = []
            for kept, use in ((v, keep_v or equal), (u, not keep_v or equal)):
                normal = np.array([-kept[1], kept[0]])
                normal = normal if normal @ bisector > 0 else -normal
                if use:
                    ends.append(p + normal * radius - kept * MARGIN)
        area = shapely.union_all([LineString([start, e]).buffer(radius, quad_segs=48) for e in ends])
        out.append((Point(p), area))
    return out


def points_along(geometry, step):
    out = []
    for line in getattr(geometry, "geoms", [geometry]):
        if line.length > 0:
            n = max(4, int(line.length / step))
            out.append(shapely.get_coordinates(shapely.line_interpolate_point(line, np.arange(n) / n, normalized=True)))
    return np.vstack(out) if out else np.zeros((0, 2))


def points_within(region, step):
    if region.is_empty:
        return np.zeros((0, 2))
    x0, y0, x1, y1 = region.bounds
    xs, ys = np.arange(x0 + step / 2, x1, step), np.arange(y0 + step / 2, y1, step)
    grid = np.array(np.meshgrid(xs, ys)).T.reshape(-1, 2)
    return grid[shapely.contains_xy(region, grid[:, 0], grid[:, 1])]


@dataclass
class At:
    """How a piece lies: which side up, how it was turned for that, and where."""

    # Its outline is cut here.
    cut_out: bool
    x: float = 0.0
    y: float = 0.0
    # Degrees on the board.
    angle: int = 0
    side: str = "face"
    over_end: bool = False

    def on_edge(self, part):
        return part.outline.bounds[3] if self.side in ("near", "far") else None

    def outline(self, part, thickness):
        if self.on_edge(part):
            return box(0, 0, part.outline.bounds[2], thickness)
        return self.place(part, part.outline)

    def feature(self, part, shape, thickness):
        """With the near edge up the face is away from the person, with the far edge up it is towards them."""
        if self.side == "near":
            return affinity.affine_transform(shape, [1, 0, 0, -1, 0, thickness])
        return shape if self.side == "far" else self.place(part, shape)

    def place(self, part, g):
        _, _, length, width = part.outline.bounds
        if self.side == "back":
            g = affinity.affine_transform(g, [-1, 0, 0, 1, length, 0] if self.over_end else [1, 0, 0, -1, 0, width])
        return affinity.translate(affinity.rotate(g, self.angle, origin=(0, 0)), self.x, self.y)


class Piece:
    """A part placed: its outline and the features of the side that lies up, in the setup's coordinates."""

    def __init__(self, part, documents, at, cuts):
        self.part, self.cuts, self.at = part, cuts, at
        self.wood = wood = Wood(documents, part.stock, at.on_edge(part))
        thickness = documents.stocks[part.stock][1]
        self.faults = []
        self.root_lobes = []
        self.outline = at.outline(part, thickness)
        self.features = [(f, at.feature(part, f.shape, thickness), wood.floor(f)) for f in part.of_side(at.side)]

    def fault(self, kind, words):
        self.faults.append(f"{kind}: {self.part.id}: {words}")

    def judge(self, screws, documents):
        self.lobes = [self.lobes_of(f, shape, floor) for f, shape, floor in self.features]
        for (f, shape, floor), lobes in zip(self.features, self.lobes):
            if f.kind == "engraving":
                self.engraved(f, shape, floor)
            elif f.kind == "cutout":
                self.rim(f.id, shape, inside=True, skin=False)
                self.waste(f, shape, screws)
            else:
                self.cleared(f, shape, floor)
            self.relieved(f, shape, floor, lobes)
        if self.at.cut_out:
            self.rim("outline", self.outline, inside=False, skin=documents.skin)
            self.rooted()
        self.nothing_else()
        return self.faults

    def smallest_radius(self, shape, level):
        """Of the cutters that work in a shape down to a level."""
        reach = self.cuts.below(level, False)
        if reach.tree is None:
            return None
        near = reach.tree.query(shape.buffer(-0.1) or shape, predicate="intersects")
        return float(min(self.cuts.radius[reach.index[near]], default=0)) or None

    def lobes_of(self, f, shape, floor):
        if f.kind in ("engraving", "hole") or f.relief == "none":
            return []
        radius = self.smallest_radius(shape, floor + TOLERANCE)
        return lobes(shape, f.relief, f.way, radius) if radius else []

    def required(self, shape, radius):
        """Where a round cutter gets to within a shape, a little within its walls."""
        by = radius - SLOT
        return shape.buffer(-by, quad_segs=32).buffer(by, quad_segs=32).intersection(shape).buffer(-TOLERANCE - SLACK)

    def cleared(self, f, shape, floor):
        level = floor + (1e-4 if f.through else TOLERANCE)
        if f.kind == "hole" and self.is_drilled(shape, level):
            return
        shape = shape.intersection(self.outline)
        radius = self.smallest_radius(shape, level)
        if radius is None:
            return self.fault("feature missing", f"{f.id} is not cut to its depth")
        want = self.required(shape, radius)
        if f.leave:
            want = want.buffer(-f.leave)
        points = np.vstack([points_along(want.boundary, 0.5), points_within(want, 1.7)])
        missing = points[~self.cuts.below(level, False).covered(points, 0)]
        if not len(points) or shape.area > 4 * want.area + 10:
            self.fault("feature missing", f"no cutter that is used fits {f.id}")
        if len(missing) and not f.hand:
            self.fault("wood left", f"{f.id} at {place(missing[0])} and {len(missing)} of {len(points)} places, to {floor:.3f}")

    def is_drilled(self, shape, level):
        """A drill of its diameter went down its axis; the depth is that of its tip."""
        x0, y0, x1, _ = shape.bounds
        for m in self.cuts.moves:
            x, y, z = m.points[-1]
            if m.cutter.kind == "drill" and not m.rapid and z <= level and abs(m.cutter.diameter - (x1 - x0)) <= 2 * TOLERANCE:
                if math.hypot(x - shape.centroid.x, y - shape.centroid.y) <= TOLERANCE:
                    return True
        return False

    def engraved(self, f, line, floor):
        points = points_along(line, 0.5)
        points = points[shapely.contains_xy(self.outline.buffer(-0.2), points[:, 0], points[:, 1])]
        reach = self.cuts.below(floor + TOLERANCE, False)
        if reach.tree is None:
            return self.fault("feature missing", f"{f.id} is not engraved")
        near = reach.tree.query_nearest(shapely.points(points), return_distance=True, all_matches=False)[1]
        if near.max() > TOLERANCE + SLACK:
            self.fault("wood left", f"{f.id} at {place(points[near.argmax()])}, {near.max():.3f} mm beside the line")

    def relieved(self, f, shape, floor, lobes):
        inner = self.outline.buffer(-1)
        reach = self.cuts.below(floor + TOLERANCE, False)
        asked = [p for p, _ in lobes if inner.contains(p)]
        points = np.array([p.coords[0] for p in asked]).reshape(-1, 2)
        for p in points[~reach.covered(points, SLACK)]:
            self.fault("relief missing", f"corner of {f.id} at {place(p)}")

    def rim(self, name, shape, inside, skin):
        """Cut through all along its edge but for tabs that hold."""
        wood = self.wood
        space = shape if inside else shape.buffer(30, join_style="mitre").difference(shape)
        radius = self.smallest_radius(space.intersection(shape.buffer(12)), wood.top - 0.3 * (wood.top - wood.bottom))
        if radius is None:
            return self.fault("feature missing", f"{name} is not cut")
        by = radius - SLOT
        reachable = space.buffer(-by, quad_segs=32).buffer(by, quad_segs=32)
        off = (TOLERANCE + SLACK) * (-1 if inside else 1)
        ring = points_along(shape.buffer(off).exterior, 0.5)
        ring = ring[shapely.contains_xy(reachable, ring[:, 0], ring[:, 1])]
        if skin:
            shallow = ~self.cuts.below(0.6, False).covered(ring, 0)
            if shallow.any():
                self.fault("wood left", f"{name} at {place(ring[shallow][0])}: more than a skin")
            if self.cuts.below(0.15, False).covered(ring, 0).any():
                self.fault("not held", f"{name} goes through the skin")
            return
        through = self.cuts.below(wood.bottom + 1e-4, False).covered(ring, 0)
        runs = self.runs(ring, through)
        low = self.cuts.below(wood.bottom + TAB_MOST_HEIGHT, False)
        for run in runs:
            length = np.hypot(*np.diff(run, axis=0).T).sum()
            if length < SLIVER:
                continue
            if length > TAB_MOST_NECK + 2 * radius + 1 or not low.covered(run, 0).all():
                self.fault("wood left", f"{name} at {place(run[0])}, {length:.1f} mm not cut through")
                return
        strong = [r for r in runs if self.is_tab(r, radius)]
        if not inside and len(strong) < 2:
            self.fault("not held", f"{name} has {len(strong)} tabs that hold")
        self.tabs = len(strong)

    def rooted(self):
        """The mate reaches into the corners at the roots of tenons: a lobe goes into the tenon's edge."""
        reach = self.cuts.below(self.wood.bottom + TOLERANCE, False)
        radius = self.smallest_radius(self.outline.buffer(1).difference(self.outline), self.wood.bottom + TOLERANCE)
        for p, tip, out in self.part.roots if radius else []:
            at = np.array([self.at.place(self.part, Point(p)).coords[0]])
            if not reach.covered(at, SLACK)[0]:
                self.fault("relief missing", f"root of a tenon at {place(at[0])}")
            start = [a + radius * (t + o) for a, t, o in zip(p, tip, out)]
            end = [a + radius * t - MARGIN * o for a, t, o in zip(p, tip, out)]
            lobe = LineString([start, end]).buffer(radius, quad_segs=48)
            self.root_lobes.append(self.at.place(self.part, lobe))

    def is_tab(self, run, radius):
        middle = run[len(run) // 2 : len(run) // 2 + 1]
        weak = self.cuts.below(self.wood.highest_bottom + TAB_LEAST_HEIGHT, False).covered(middle, 0).any()
        length = np.hypot(*np.diff(run, axis=0).T).sum()
        return not weak and length >= TAB_LEAST

    def runs(self, ring, cut):
        """Runs of points that are not cut, round the ring."""
        if cut.all() or not len(ring):
            return []
        if not cut.any():
            return [ring]
        first = int(np.argmax(cut))
        ring, cut = np.roll(ring, -first, axis=0), np.roll(cut, -first)
        runs, run = [], []
        for p, c in zip(ring, cut):
            if not c and (not run or np.hypot(*(p - run[-1])) < 2):
                run.append(p)
                continue
            if run:
                runs.append(np.array(run))
            run = [] if c else [p]
        return runs + ([np.array(run)] if run else [])

    def waste(self, f, shape, screws):
        through = self.cuts.below(self.wood.bottom + 1e-4, False)
        left = points_within(shape.buffer(-0.5), 1.5)
        left = left[~through.covered(left, 0)]
        held = [s for s in screws if shape.buffer(-2).contains(Point(s[:2]))]
        if len(left) * 1.5**2 > CHIP and not held and not getattr(self, "tabs", 0):
            self.fault("not held", f"the waste of {f.id}")

    def nothing_else(self):
        """Cut deeper than wanted nowhere."""
        wood = self.wood
        levels = {wood.top} | {floor for f, _, floor in self.features if not f.through}
        inner = self.outline.buffer(-TOLERANCE)
        for level in sorted(levels, reverse=True):
            allowed = []
            for (f, shape, floor), lobes in zip(self.features, self.lobes):
                if floor >= level - 1e-6:
                    continue
                if f.kind == "engraving":
                    radius = self.smallest_radius(shape.buffer(0.2), floor + TOLERANCE) or 0
                    shape = shape.buffer(radius, quad_segs=32)
                allowed += [shape.buffer(TOLERANCE)] + [area.buffer(TOLERANCE) for _, area in lobes]
            allowed += [area.buffer(TOLERANCE) for area in self.root_lobes]
            keep = inner.difference(shapely.union_all(allowed)) if allowed else inner
            for rapids in (False, True):
                deep = self.cuts.below(level - TOLERANCE, rapids).into(keep, SLACK)
                if deep:
                    depth, index = deep[0]
                    m = self.cuts.moves[self.cuts.owner[index]]
                    kind = "rapid into wood" if rapids else "cut into"
                    self.fault(kind, f"{depth:.3f} mm below {level:.3f}, line {m.line} ({m.step})")
                    break


def place(p):
    return f"({p[0]:.2f}, {p[1]:.2f})"
