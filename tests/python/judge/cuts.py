"""What the cutters of a setup sweep, as straight segments with heights, and what lies within their reach."""
import math

import numpy as np
import shapely


class Cuts:
    """Segments of moves in the order in which they are run. Rapids are swept as well: in wood they cut."""

    def __init__(self, moves):
        a, b, radius, slope, rapid, owner = [], [], [], [], [], []
        for i, m in enumerate(moves):
            for p, q in zip(m.points, m.points[1:]):
                a.append(p)
                b.append(q)
                radius.append(m.cutter.diameter / 2)
                # How fast it widens above its tip.
                pointed = m.cutter.kind in ("v-cutter", "drill") and m.cutter.angle
                slope.append(math.tan(math.radians(m.cutter.angle / 2)) if pointed else math.inf)
                rapid.append(m.rapid)
                owner.append(i)
        self.moves = moves
        self.a = np.array(a, float).reshape(-1, 3)
        self.b = np.array(b, float).reshape(-1, 3)
        self.radius, self.slope = np.array(radius), np.array(slope)
        self.rapid, self.owner = np.array(rapid, bool), np.array(owner, int)
        self.known = {}

    def below(self, level, rapids):
        """Those parts of segments that lie below a level: lines, their radius at that level, and indices of segments."""
        key = (round(level, 6), rapids)
        if key not in self.known:
            self.known[key] = self.clipped(level, rapids)
        return self.known[key]

    def clipped(self, level, rapids):
        za, zb = self.a[:, 2], self.b[:, 2]
        index = np.nonzero((np.minimum(za, zb) < level) & (rapids | ~self.rapid))[0]
        a, b = self.a[index], self.b[index]
        dz = b[:, 2] - a[:, 2]
        with np.errstate(divide="ignore", invalid="ignore"):
            t = np.clip((level - a[:, 2]) / dz, 0, 1)[:, None]
        cross = a + t * (b - a)
        a = np.where((a[:, 2] > level)[:, None], cross, a)
        b2 = np.where((b[:, 2] > level)[:, None], cross, b)
        lowest = np.minimum(a[:, 2], b2[:, 2])
        with np.errstate(invalid="ignore"):
            wide = (level - lowest) * self.slope[index]
        radius = np.minimum(self.radius[index], np.where(np.isnan(wide), math.inf, wide))
        lines = shapely.linestrings(np.stack([a[:, :2], b2[:, :2]], axis=1)) if len(index) else np.array([])
        return Reach(lines, radius, index)


class Reach:
    def __init__(self, lines, radius, index):
        self.lines, self.radius, self.index = lines, radius, index
        self.widest = float(radius.max()) if len(radius) else 0.0
        self.tree = shapely.STRtree(lines) if len(lines) else None

    def into(self, keep, slack):
        """How far each sweep reaches into a region: (depth, index of the segment), deepest first."""
        if self.tree is None or keep.is_empty:
            return []
        near = self.tree.query(keep, predicate="dwithin", distance=self.widest)
        depth = self.radius[near] - shapely.distance(self.lines[near], keep)
        deep = [(float(d), int(self.index[n])) for d, n in zip(depth, near) if d > slack]
        return sorted(deep, reverse=True)

    def covered(self, points, slack):
        """Whether each point is swept."""
        out = np.zeros(len(points), bool)
        if self.tree is None or not len(points):
            return out
        dots = shapely.points(points)
        which, line = self.tree.query(dots, predicate="dwithin", distance=self.widest + slack)
        reached = shapely.distance(dots[which], self.lines[line]) <= self.radius[line] + slack
        out[which[reached]] = True
        return out

    def swept(self):
        """The area that is swept; each capsule by itself, since far buffers of whole paths are simplified."""
        if self.tree is None:
            return shapely.Polygon()
        ends = np.round(shapely.get_coordinates(self.lines).reshape(-1, 4), 4)
        _, first = np.unique(np.column_stack([ends, self.radius]), axis=0, return_index=True)
        return shapely.union_all(shapely.buffer(self.lines[first], self.radius[first], quad_segs=24))
