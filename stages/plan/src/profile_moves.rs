//! Moves of a cut along closed paths in passes: ramps, whole laps, links, leads, and tabs.
//!
//! Every pass ramps down along the path and goes on level to where its ramp began, where the ramp of the next one begins: the path
//! falls without a stop, each ramp takes the wedge of the one before it, and only the last wedges are gone over (calculated: wedge and
//! ramp together are one pass deep). On a path shorter than its ramps that is a spiral. A loop that widens a deep kerf is run once,
//! where the kerf gets deep. Over a tab the cutter is lifted for the tab's neck and its own diameter (calculated: L = b + D) and
//! comes down behind it by a zigzag ramp, so that no wedge stays and the neck is as wide as asked; a finishing loop comes down
//! behind it in the open kerf.

use grainway_geom::{Point, Point3, Segment};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::tolerance::SAME_LEVEL_MM;
use grainway_pipeline::work::{CutLoop, ProfileCut, Tab};

/// Both ends of a piece are rounded when they are written, to 0.0001 in at the coarsest: it may come down by this more, mm, and one of a
/// few micrometres would be too fast for it.
const WRITTEN_MM: f64 = 0.00254;
/// Lengths along a path closer than this are the same place.
const SAME_PLACE_MM: f64 = 1e-6;
/// How far a single loop leads out into the waste at its end, mm, so that the cutter does not lift against the wall: enough to be
/// free of it, little enough to stay clear of whatever lies beyond the kerf.
const LEAD_OUT_MM: f64 = 1.0;
/// A zigzag's leg is at most this long, mm: longer ones only cost time.
const LONGEST_LEG_MM: f64 = 40.0;
/// A zigzag has at most this many pairs of legs; where the room asks for more, the cutter goes straight down slowly.
const MOST_ZIGZAGS: f64 = 25.0;
/// Runs that would end less than this before a joint of the path go on to it, mm: controllers keep up badly with shorter moves
/// (common practice, no source).
const SHORTEST_MM: f64 = 0.1;
/// Least share of the feed inside tight arcs: less would rub and burn.
const LEAST_ARC_SHARE: f64 = 0.2;
/// Share of the feed on the way into a relief's lobe and back, where the cutter is engaged all round.
const LOBE_SHARE: f64 = 0.5;
/// The steepest ramp, radians; what is steeper goes straight down.
const STEEPEST_RAMP: f64 = std::f64::consts::FRAC_PI_4;
/// The height to come down to fast lies this much over the highest face, mm.
const FACE_MM: f64 = 2.0;
/// Of the room above the face to which the cutter comes down fast, this much is gone through slowly and straight; the ramp begins below
/// it, so high over the face that a zero set a little low does not matter, mm.
const AIR_MM: f64 = 1.8;
/// Places of a path within this are the same, mm.
const SAME_JOINT_MM: f64 = 1e-3;
/// Links keep this far from a tab's lifted length, mm.
const LINK_CLEAR_MM: f64 = 1.0;

/// The moves of a cut along closed paths, with these tabs left standing (positions along the last loop's path).
///
/// `clear_z` is the height to come down to fast, mm: 2 mm above the highest face of the wood. The first move is a rapid over the
/// entry at [`SAFE_Z`], the last one a rapid up to it. Tabs are kept by every loop that goes below their upper side; on loops other
/// than the last they stand at the nearest place.
pub fn profile_moves(cut: &ProfileCut, tabs: &[Tab], clear_z: f64) -> Vec<Move> {
    let lanes: Vec<Lane> = cut.loops.iter().map(|l| Lane::new(l, cut, tabs)).collect();
    let mut runner = Runner {
        cut,
        clear_z,
        plunges: cut.ramp > STEEPEST_RAMP,
        slope: cut.ramp.clamp(0.5_f64.to_radians(), STEEPEST_RAMP).tan(),
        moves: Vec::new(),
        at: None,
    };
    let lanes = lanes.iter().filter(|l| l.length > 0.0);
    let (finishing, rough): (Vec<&Lane>, Vec<&Lane>) = lanes.partition(|l| l.cut.finishing);
    let mut stands = None;
    if let Some((main, wide)) = rough.split_last() {
        stands = Some((*main, runner.rough(main, wide)));
    }
    for lane in finishing {
        match (rough.last(), stands) {
            (Some(kerf), Some((on, s))) => stands = Some((lane, runner.finish(lane, kerf, on, s))),
            _ => stands = Some((lane, runner.rough(lane, &[]))),
        }
    }
    if let Some((lane, s)) = stands {
        runner.leave(lane, s, rough.last().copied());
    }
    runner.moves
}

/// A length of a path over which the cutter stays above a tab.
#[derive(Clone, Copy, Debug)]
struct Zone {
    from: f64,
    to: f64,
    top: f64,
}

/// A loop's path, measured.
struct Lane<'a> {
    cut: &'a CutLoop,
    /// Pieces with the length at which each starts and the share of the feed it is run at.
    pieces: Vec<(Segment, f64, f64)>,
    length: f64,
    zones: Vec<Zone>,
    /// The waste lies left of the direction of travel; `None` for a path that runs there and back and has no side.
    waste_left: Option<bool>,
}

impl<'a> Lane<'a> {
    fn new(cut_loop: &'a CutLoop, cut: &ProfileCut, tabs: &[Tab]) -> Lane<'a> {
        let area = cut_loop.path.area();
        let waste_left = (area.abs() > 1e-6).then_some((area > 0.0) != cut.keeps_inside);
        let segments: Vec<Segment> = cut_loop
            .path
            .segments()
            .filter(|s| s.length() > 0.0)
            .collect();
        let mut length = 0.0;
        let mut pieces = Vec::with_capacity(segments.len());
        for (i, s) in segments.iter().enumerate() {
            let next = &segments[(i + 1) % segments.len()];
            let last = &segments[(i + segments.len() - 1) % segments.len()];
            pieces.push((
                *s,
                length,
                feed_share(last, s, next, waste_left, cut.cutter_diameter),
            ));
            length += s.length();
        }
        let mut zones = Vec::new();
        if let Some(reference) = cut.loops.last() {
            for tab in tabs {
                let along = if std::ptr::eq(reference, cut_loop) {
                    Some(tab.along)
                } else {
                    reference
                        .path
                        .at_length(tab.along)
                        .and_then(|(p, _)| cut_loop.path.nearest(p))
                        .map(|(_, along)| along)
                };
                if let (Some(along), true) = (along, length > 0.0) {
                    let half = 0.5 * (tab.neck + cut.cutter_diameter);
                    let (from, to) = (along - half, along + half);
                    // A joint just outside is taken in; the neck gets a hair wider.
                    let from = from - to_joint(&pieces, length, from, false);
                    let to = to + to_joint(&pieces, length, to, true);
                    let width = (to - from).min(length);
                    let from = from.rem_euclid(length);
                    zones.push(Zone {
                        from,
                        to: from + width,
                        top: tab.top,
                    });
                }
            }
        }
        zones.sort_by(|a, b| a.from.total_cmp(&b.from));
        Lane {
            cut: cut_loop,
            pieces,
            length,
            zones,
            waste_left,
        }
    }
    /// Index of the piece that holds the length `s` in [0, length), the later one at a joint.
    fn piece_at(&self, s: f64) -> usize {
        self.pieces
            .partition_point(|p| p.1 <= s + SAME_PLACE_MM)
            .saturating_sub(1)
    }
    /// The length, or that of a joint or a tab's end just ahead.
    fn to_mark(&self, s: f64) -> f64 {
        let ends = self.zones.iter().flat_map(|z| [z.from, z.to]);
        let to_end = ends
            .map(|e| (e - s).rem_euclid(self.length))
            .filter(|d| *d < SHORTEST_MM)
            .fold(f64::INFINITY, f64::min);
        let ahead = to_joint(&self.pieces, self.length, s, true);
        if to_end.is_finite() {
            s + to_end
        } else {
            s + ahead
        }
    }
    /// The point and the direction of travel at any length, laps counted.
    fn at(&self, s: f64) -> (Point, Point) {
        let s = s.rem_euclid(self.length);
        let (piece, start, _) = &self.pieces[self.piece_at(s)];
        let t = ((s - start) / piece.length()).clamp(0.0, 1.0);
        (piece.at(t), piece.direction(t).unwrap_or_default())
    }
    /// The height that a tab asks for at length `s`, widened by `margin` on both sides.
    fn tab_top(&self, s: f64, margin: f64) -> Option<f64> {
        self.zones
            .iter()
            .filter(|z| {
                (s - (z.from - margin)).rem_euclid(self.length) < z.to - z.from + 2.0 * margin
            })
            .map(|z| z.top)
            .reduce(f64::max)
    }
    /// How far it is from `s` to the next zone higher than `z`.
    fn room(&self, s: f64, z: f64) -> f64 {
        self.zones
            .iter()
            .filter(|zone| zone.top > z)
            .map(|zone| (zone.from - s).rem_euclid(self.length))
            .fold(self.length, f64::min)
    }
    /// The path is one straight piece between two lengths.
    fn straight(&self, from: f64, to: f64) -> bool {
        let local = from.rem_euclid(self.length);
        let (piece, start, _) = &self.pieces[self.piece_at(local)];
        matches!(piece, Segment::Line { .. })
            && local + (to - from) <= start + piece.length() + SAME_PLACE_MM
    }
    /// `p` lies on the waste's side of the path (or on it).
    fn on_waste_side(&self, p: Point) -> bool {
        self.waste_left.is_some_and(|left| {
            let path = &self.cut.path;
            let waste_inside = left == (path.area() > 0.0);
            path.distance(p) <= SAME_PLACE_MM || path.contains(p) == waste_inside
        })
    }
    /// All of the straight way from `a` to `b` lies on the waste's side. Sampled: leads are a few millimetres long.
    fn clear_line(&self, a: Point, b: Point) -> bool {
        (0..=8).all(|i| self.on_waste_side(a.lerp(b, f64::from(i) / 8.0)))
    }
}

/// How far it is from length `s` to the nearest joint ahead (or behind); 0 when it is not nearer than the shortest move.
fn to_joint(pieces: &[(Segment, f64, f64)], length: f64, s: f64, ahead: bool) -> f64 {
    let way = |joint: f64| {
        let d = if ahead { joint - s } else { s - joint };
        d.rem_euclid(length)
    };
    let nearest = pieces
        .iter()
        .map(|p| way(p.1))
        .fold(f64::INFINITY, f64::min);
    if nearest < SHORTEST_MM { nearest } else { 0.0 }
}

/// The share of the feed on a piece: the wall inside an arc sees feed · R_wall / R_path (geometry), so the centre goes slower by
/// the inverse; the short ways into a lobe and back go at half feed.
fn feed_share(
    last: &Segment,
    s: &Segment,
    next: &Segment,
    waste_left: Option<bool>,
    diameter: f64,
) -> f64 {
    match *s {
        Segment::Arc { radius, sweep, .. } => match waste_left {
            Some(left) if (sweep > 0.0) == left => {
                (radius / (radius + 0.5 * diameter)).max(LEAST_ARC_SHARE)
            }
            _ => 1.0,
        },
        Segment::Line { .. } => {
            let turns_back = |a: &Segment, b: &Segment| {
                a.direction(1.0)
                    .zip(b.direction(0.0))
                    .is_some_and(|(u, v)| u.dot(v) < -0.999)
            };
            let short = s.length() < 2.0 * diameter;
            let lobe =
                short && waste_left.is_some() && (turns_back(last, s) || turns_back(s, next));
            if lobe { LOBE_SHARE } else { 1.0 }
        }
    }
}

/// Writes moves and knows where the cutter stands.
struct Runner<'a> {
    cut: &'a ProfileCut,
    clear_z: f64,
    /// Goes straight down instead of sloping.
    plunges: bool,
    /// Tangent of the ramp's angle.
    slope: f64,
    moves: Vec<Move>,
    at: Option<Point3>,
}

impl Runner<'_> {
    /// Over `p` at safe height, then down fast to the clear height.
    fn come_down(&mut self, p: Point) {
        self.moves.push(Move::rapid(p.at_z(SAFE_Z)));
        self.moves.push(Move::rapid(p.at_z(self.clear_z)));
        self.at = Some(p.at_z(self.clear_z));
    }
    fn lift(&mut self) {
        if let Some(at) = self.at {
            self.moves.push(Move::rapid(at.xy().at_z(SAFE_Z)));
        }
    }
    fn z(&self) -> f64 {
        self.at.map_or(self.clear_z, |p| p.z)
    }
    fn line_to(&mut self, to: Point3, feed: f64) {
        let stays = self.at.is_some_and(|p| {
            p.xy().distance(to.xy()) <= SAME_PLACE_MM && (p.z - to.z).abs() <= SAME_LEVEL_MM
        });
        if !stays {
            self.moves.push(Move::Line { to, feed });
            self.at = Some(to);
        }
    }
    /// Straight up or down where the cutter stands.
    fn vertical(&mut self, z: f64) {
        if let Some(at) = self.at {
            let feed = if z > at.z {
                self.cut.feed
            } else {
                self.cut.plunge
            };
            self.line_to(at.xy().at_z(z), feed);
        }
    }
    /// Along the lane from length `from` to `to` (backwards when less), the height changing evenly from the present one to `z`.
    fn follow(&mut self, lane: &Lane, from: f64, to: f64, z: f64) {
        let total = (to - from).abs();
        if total <= SAME_PLACE_MM {
            return;
        }
        let (z0, forward) = (self.z(), to > from);
        let mut done = 0.0;
        while total - done > SAME_PLACE_MM {
            let s = if forward { from + done } else { from - done };
            let local = s.rem_euclid(lane.length);
            let (piece, start, share, here) = if forward {
                let (p, start, share) = &lane.pieces[lane.piece_at(local)];
                (p, *start, *share, local.max(*start))
            } else {
                // Going backwards, a joint belongs to the piece before it.
                let local = if local <= SAME_PLACE_MM {
                    lane.length
                } else {
                    local
                };
                let i = lane
                    .pieces
                    .partition_point(|p| p.1 < local - SAME_PLACE_MM)
                    .saturating_sub(1);
                let (p, start, share) = &lane.pieces[i];
                (p, *start, *share, local.min(start + p.length()))
            };
            let length = piece.length();
            let here = if here > start + length { start } else { here };
            let left_in_piece = if forward {
                start + length - here
            } else {
                here - start
            };
            let step = left_in_piece.min(total - done).max(SAME_PLACE_MM);
            let (a, b) = if forward {
                (here, here + step)
            } else {
                (here, here - step)
            };
            done += step;
            let share_of = |v: f64| ((v - start) / length).clamp(0.0, 1.0);
            let way = piece.piece(share_of(a), share_of(b));
            let end_z = if total - done <= SAME_PLACE_MM {
                z
            } else {
                z0 + (z - z0) * done / total
            };
            // The feed that the section allows; its share downwards is no more than straight down is fed.
            let down = self.z() - end_z;
            let rate = match down > SAME_LEVEL_MM {
                true => self.cut.plunge * way.length().hypot(down) / (down + WRITTEN_MM),
                false => f64::INFINITY,
            };
            let rate = rate.min(self.cut.feed * share);
            match way {
                Segment::Line { b, .. } => self.line_to(b.at_z(end_z), rate),
                Segment::Arc {
                    centre, sweep, b, ..
                } => {
                    self.moves.push(Move::Arc {
                        centre,
                        sweep,
                        dz: end_z - self.z(),
                        feed: rate,
                    });
                    self.at = Some(b.at_z(end_z));
                }
            }
        }
    }
    /// Along the lane from `from` to `to` with the wanted height changing evenly from `z0` to `z1`, lifted over tabs. Behind one the
    /// cutter comes down in the kerf, if one is open beside, or through what `cleared` says is free already.
    fn run(
        &mut self,
        lane: &Lane,
        (from, to): (f64, f64),
        (z0, z1): (f64, f64),
        cleared: &dyn Fn(f64) -> f64,
        kerf: Option<&Lane>,
    ) {
        let wanted = |s: f64| {
            if to > from {
                z0 + (z1 - z0) * (s - from) / (to - from)
            } else {
                z1
            }
        };
        let mut stops = vec![from, to];
        for zone in &lane.zones {
            let first = ((from - zone.to) / lane.length).floor() as i64;
            let last = ((to - zone.from) / lane.length).ceil() as i64;
            for lap in first..=last {
                let shift = lap as f64 * lane.length;
                stops.extend([zone.from + shift, zone.to + shift]);
                if z0 > zone.top && zone.top > z1 {
                    // Where the ramp sinks below the tab's upper side.
                    stops.push(from + (to - from) * (z0 - zone.top) / (z0 - z1));
                }
            }
        }
        stops.retain(|s| *s >= from && *s <= to);
        stops.sort_by(f64::total_cmp);
        stops.dedup_by(|a, b| (*a - *b).abs() <= SAME_PLACE_MM);
        for pair in stops.windows(2) {
            let (a, b) = (pair[0], pair[1]);
            let floor = lane
                .tab_top(0.5 * (a + b), 0.0)
                .unwrap_or(f64::NEG_INFINITY);
            let (za, zb) = (wanted(a).max(floor), wanted(b).max(floor));
            if za > self.z() + SAME_LEVEL_MM {
                self.vertical(za);
            } else if za < self.z() - SAME_LEVEL_MM
                && !kerf.is_some_and(|kerf| self.go_down_beside(lane, a, za, kerf))
            {
                self.go_down(lane, a, za, cleared(a));
            }
            self.follow(lane, a, b, zb);
        }
    }
    /// Down to `z` at length `s` of the lane: straight through what is free already, then by a zigzag ramp ahead of `s`.
    fn go_down(&mut self, lane: &Lane, s: f64, z: f64, cleared: f64) {
        let free = cleared.min(self.z()).max(z);
        self.vertical(free);
        let drop = free - z;
        if drop <= SAME_LEVEL_MM {
            return;
        }
        let longest = lane.room(s, z).min(LONGEST_LEG_MM).min(lane.length);
        let pairs = (drop / (2.0 * longest * self.slope)).ceil().max(1.0);
        if self.plunges || longest < 0.5 || pairs > MOST_ZIGZAGS {
            self.vertical(z);
            return;
        }
        let step = drop / (2.0 * pairs);
        let leg = lane.to_mark(s + step / self.slope) - s;
        for pair in 0..pairs as usize {
            let top = free - 2.0 * step * pair as f64;
            self.follow(lane, s, s + leg, top - step);
            self.follow(lane, s + leg, s, top - 2.0 * step);
        }
    }
    /// Down to `z` in the kerf beside length `s` of the lane, and from there onto it; `false` (and no move) where a tab or the wall is
    /// in the way.
    fn go_down_beside(&mut self, lane: &Lane, s: f64, z: f64, kerf: &Lane) -> bool {
        let here = lane.at(s).0;
        let beside = kerf.cut.path.nearest(here).filter(|(p, along)| {
            let low = kerf.tab_top(*along, 0.0).is_none_or(|top| top <= z);
            low && p.distance(here) < 0.5 * self.cut.cutter_diameter && lane.clear_line(*p, here)
        });
        let Some((p, _)) = beside else { return false };
        self.line_to(p.at_z(self.z()), self.cut.feed);
        self.vertical(z);
        self.line_to(here.at_z(z), self.cut.feed);
        true
    }
    /// The main loop, level by level, and where one of its levels has a loop beside it, that too. Gives the length at which the cutter
    /// stands at the end, on the last floor.
    fn rough(&mut self, main: &Lane, wide: &[&Lane]) -> f64 {
        let floors = &main.cut.passes;
        let mut s = 0.0;
        let top = self.clear_z;
        let mut above = top - AIR_MM;
        // What the first ramp goes through before it meets the face does not count: the next begins where it meets it.
        let mut in_air = match floors.len() {
            1 => 0.0,
            _ => (FACE_MM - AIR_MM) / self.slope,
        };
        // Where the ramp before began, how long it was, and the height it came from.
        let (mut began, mut wedge, mut higher) = (0.0, 0.0, above);
        self.come_down(main.at(0.0).0);
        if !self.plunges {
            self.vertical(above);
        }
        for (level, &floor) in floors.iter().enumerate() {
            let thin = level > 0 && level + 1 == floors.len() && main.cut.through;
            if thin && wedge > 0.0 {
                // The last pass finds a level floor, so that what breaks through is thin all round.
                let end = main.to_mark(s + wedge);
                self.run(main, (s, end), (above, above), &|_| higher, None);
                (s, wedge) = (end, 0.0);
            }
            let drop = (above - floor).max(0.0);
            let cleared = |at: f64| {
                let on_wedge = (at - began).rem_euclid(main.length) < wedge + SHORTEST_MM;
                if on_wedge { higher } else { above }
            };
            let mut ramp = 0.0;
            if self.plunges {
                let tab = main.tab_top(s, 0.0).unwrap_or(f64::NEG_INFINITY);
                self.vertical(floor.max(tab));
            } else if drop > 0.0 {
                ramp = main.to_mark(s + drop / self.slope) - s;
            }
            self.run(main, (s, s + ramp), (above, floor), &cleared, None);
            let lap = (main.length + std::mem::take(&mut in_air)).max(ramp);
            self.run(main, (s + ramp, s + lap), (floor, floor), &cleared, None);
            (began, wedge, higher) = (s + lap - main.length, ramp.min(main.length), above);
            s += lap;
            above = floor;
            for beside in wide.iter().filter(|w| w.cut.passes.contains(&floor)) {
                let end = main.to_mark(s + wedge);
                self.run(main, (s, end), (floor, floor), &|_| higher, None);
                let on = self.link(main, end, beside);
                let lapped = beside.to_mark(on + beside.length + self.cut.overlap);
                self.run(beside, (on, lapped), (floor, floor), &|_| top, None);
                (s, wedge) = (self.link(beside, lapped, main), 0.0);
            }
        }
        let end = main.to_mark(s + wedge + self.cut.overlap);
        self.run(main, (s, end), (above, above), &|_| higher, None);
        end
    }
    /// One loop whose kerf a loop before it has opened: in from the kerf, around. The cutter stands at length `s` of the lane `on`; gives
    /// the length on this one at which it stands at the end.
    fn finish(&mut self, lane: &Lane, kerf: &Lane, on: &Lane, s: f64) -> f64 {
        let lead = 0.5 * self.cut.cutter_diameter;
        let near = self.at.and_then(|p| lane.cut.path.nearest(p.xy()));
        let behind = lane.zones.iter().map(|z| z.to + 2.0 * lead);
        let ends = near.map(|n| n.1 + lead).into_iter().chain([0.0]);
        let free = |s: &f64| {
            let lapped = s + self.cut.overlap;
            let margin = lead + LINK_CLEAR_MM;
            lane.tab_top(*s, margin).is_none() && lane.tab_top(lapped, margin).is_none()
        };
        let straight = |s: &f64| lane.straight(s - lead, s + self.cut.overlap);
        let mut ends: Vec<f64> = ends.filter(|s| straight(s)).chain([0.0]).collect();
        ends.extend(behind);
        let Some(start) = ends.into_iter().find(free) else {
            // Tabs all round: from above, as if nothing were open yet.
            self.leave(on, s, None);
            return self.rough(lane, &[]);
        };
        let (mut on, mut s) = (on, s);
        for &floor in &lane.cut.passes {
            let entry = self.lead_point(lane, start, -lead, kerf);
            if !self.along_kerf(entry, floor, on, s) {
                self.leave(on, s, (!std::ptr::eq(on, kerf)).then_some(kerf));
                self.come_down(entry);
                self.vertical(floor);
            }
            self.line_to(lane.at(start).0.at_z(floor), self.cut.feed);
            let end = lane.to_mark(start + lane.length + self.cut.overlap);
            self.run(
                lane,
                (start, end),
                (floor, floor),
                &|_| f64::INFINITY,
                Some(kerf),
            );
            (on, s) = (lane, end);
        }
        s
    }
    /// From length `s` of the lane straight along it to a place of its kerf, at this height; `false` (and no move) where it is another
    /// height, round a corner, or behind a tab.
    fn along_kerf(&mut self, to: Point, floor: f64, on: &Lane, s: f64) -> bool {
        let Some((p, along)) = on.cut.path.nearest(to) else {
            return false;
        };
        let ahead = (along - s).rem_euclid(on.length);
        let (a, b) = match ahead < 0.5 * on.length {
            true => (s, s + ahead),
            false => (s + ahead - on.length, s),
        };
        let margin = LINK_CLEAR_MM + SHORTEST_MM;
        let tabs = [a, 0.5 * (a + b), b]
            .iter()
            .any(|s| on.tab_top(*s, margin + 0.5 * (b - a)).is_some());
        let free = (self.z() - floor).abs() <= SAME_LEVEL_MM
            && p.distance(to) <= SAME_JOINT_MM
            && on.straight(a, b)
            && !tabs;
        if free {
            self.line_to(to.at_z(floor), self.cut.feed);
        }
        free
    }
    /// Out into the kerf that is open beside, or a little way into the waste, and up.
    fn leave(&mut self, lane: &Lane, s: f64, kerf: Option<&Lane>) {
        match kerf.filter(|k| !std::ptr::eq(*k, lane)) {
            Some(kerf) => self.lead_out_to(lane, s, kerf),
            None => self.lead_out(lane, s),
        }
        self.lift();
    }
    /// A place of the kerf from which (`ahead` negative) or to which the straight way to length `s` of the lane stays off the wall:
    /// slanting along the path where that is possible, else square to it.
    fn lead_point(&self, lane: &Lane, s: f64, ahead: f64, kerf: &Lane) -> Point {
        let here = lane.at(s).0;
        let beside = |ahead: f64| kerf.cut.path.nearest(lane.at(s + ahead).0).map(|(p, _)| p);
        for share in [1.0, 0.5, 0.25] {
            if let Some(p) = beside(ahead * share).filter(|p| lane.clear_line(*p, here)) {
                return p;
            }
        }
        beside(0.0).unwrap_or(here)
    }
    /// From length `s` of a lane across to another at the same level; gives the length on the other.
    fn link(&mut self, lane: &Lane, s: f64, other: &Lane) -> f64 {
        let ahead = other
            .cut
            .path
            .nearest(lane.at(s + 0.5 * self.cut.cutter_diameter).0);
        let square = other.cut.path.nearest(lane.at(s).0);
        let here = lane.at(s).0;
        let slanting =
            ahead.filter(|(p, _)| lane.clear_line(*p, here) || other.clear_line(here, *p));
        let Some((p, along)) = slanting.or(square) else {
            return 0.0;
        };
        let margin = LINK_CLEAR_MM;
        let high = [lane.tab_top(s, margin), other.tab_top(along, margin)]
            .into_iter()
            .flatten()
            .fold(self.z(), f64::max);
        self.vertical(high);
        self.line_to(p.at_z(high), LOBE_SHARE * self.cut.feed);
        along
    }
    fn lead_out_to(&mut self, lane: &Lane, s: f64, kerf: &Lane) {
        let reach = 0.5 * self.cut.cutter_diameter;
        let tab_ahead = lane.room(s, self.z()) < reach + LINK_CLEAR_MM;
        let p = self.lead_point(lane, s, if tab_ahead { 0.0 } else { reach }, kerf);
        self.line_to(p.at_z(self.z()), self.cut.feed);
    }
    /// A little way into the waste, so that the cutter does not lift against the wall.
    fn lead_out(&mut self, lane: &Lane, s: f64) {
        let Some(left) = lane.waste_left else { return };
        let (here, direction) = lane.at(s);
        let out = LEAD_OUT_MM.min(0.25 * self.cut.cutter_diameter);
        let side = if left {
            direction.left()
        } else {
            -direction.left()
        };
        let tab_ahead = lane.room(s, self.z()) < 3.0 * out + LINK_CLEAR_MM;
        let slanting = here + side * out + direction * (2.0 * out);
        let square = here + side * out;
        for p in [slanting, square] {
            let fits = lane.clear_line(here, p) && lane.cut.path.distance(p) > 0.9 * out;
            if fits && !(tab_ahead && p == slanting) {
                self.line_to(p.at_z(self.z()), self.cut.feed);
                return;
            }
        }
    }
}

#[cfg(test)]
#[allow(clippy::float_cmp, reason = "heights come back as they were given")]
mod tests {
    use super::*;
    use grainway_geom::{Contour, point};

    const D: f64 = 6.35;

    fn cut(loops: Vec<CutLoop>, keeps_inside: bool) -> ProfileCut {
        ProfileCut {
            loops,
            cutter_diameter: D,
            feed: 2400.0,
            plunge: 800.0,
            ramp: 3.0_f64.to_radians(),
            tab_spans: Vec::new(),
            keeps_inside,
            overlap: 2.0,
        }
    }

    fn a_loop(path: Contour, passes: &[f64]) -> CutLoop {
        CutLoop {
            path,
            passes: passes.to_vec(),
            finishing: false,
            through: true,
        }
    }

    /// Starts in the middle of the near edge of a box and runs clockwise.
    fn boxed(x: f64, y: f64, grow: f64) -> Contour {
        Contour::polygon([
            point(x / 2.0, -grow),
            point(-grow, -grow),
            point(-grow, y + grow),
            point(x + grow, y + grow),
            point(x + grow, -grow),
        ])
    }

    /// Points of all cutting moves, at most `step` mm apart.
    fn sampled(moves: &[Move], step: f64) -> Vec<Point3> {
        let mut at = point(0.0, 0.0).at_z(SAFE_Z);
        let mut out = Vec::new();
        for m in moves {
            let end = m.end(at);
            let (way, dz) = match *m {
                Move::Line { to, .. } => (
                    Segment::Line {
                        a: at.xy(),
                        b: to.xy(),
                    },
                    to.z - at.z,
                ),
                Move::Arc {
                    centre, sweep, dz, ..
                } => (Segment::arc_about(centre, at.xy(), sweep), dz),
                _ => {
                    at = end;
                    continue;
                }
            };
            let n = (way.length().max(dz.abs()) / step).ceil().max(1.0);
            out.extend((0..=n as usize).map(|i| {
                let t = i as f64 / n;
                way.at(t).at_z(at.z + dz * t)
            }));
            at = end;
        }
        out
    }

    #[test]
    fn begins_and_ends_at_safe_height_and_changes_xy_or_z_alone_in_rapids() {
        let c = cut(
            vec![a_loop(boxed(200.0, 80.0, D / 2.0), &[16.0, 13.0, -0.3])],
            true,
        );
        let moves = profile_moves(&c, &[], 21.0);
        assert!(matches!(moves[0], Move::Rapid { to } if to.z == SAFE_Z));
        assert!(matches!(moves[1], Move::Rapid { to } if to == point(100.0, -D / 2.0).at_z(21.0)));
        assert!(matches!(moves.last(), Some(Move::Rapid { to }) if to.z == SAFE_Z));
        let mut at = point(f64::NAN, f64::NAN).at_z(SAFE_Z);
        for m in &moves {
            if let Move::Rapid { to } = m {
                let same_xy = to.xy() == at.xy();
                assert!(same_xy || to.z == at.z, "{at:?} to {to:?}");
            }
            at = m.end(at);
        }
    }

    #[test]
    fn ramp_of_3_mm_at_3_degrees_is_57_243410_long() {
        // Calculated: depth / tan α, 3 mm at 3° = 57.243410 mm.
        let c = cut(vec![a_loop(boxed(200.0, 80.0, D / 2.0), &[0.0])], true);
        let moves = profile_moves(&c, &[], 3.0 + AIR_MM);
        let Move::Line { to, feed } = moves[3] else {
            panic!("{:?}", moves[3])
        };
        assert!((to.x - (100.0 - 57.243_410)).abs() < 1e-6 && to.z.abs() < 1e-12);
        // Its share downwards, sin 3° of the feed, is far from the 800 straight down.
        assert_eq!(feed, 2400.0);
        // The wedge is taken away: the lap goes on past the ramp's end, 2 mm over.
        let length: f64 = sampled(&moves, 1.0)
            .windows(2)
            .map(|w| w[0].xy().distance(w[1].xy()))
            .sum();
        // The ramp's own length is gone over once more, and 2 mm of overlap.
        let lead = LEAD_OUT_MM * 5.0_f64.sqrt();
        let whole = 57.243_410 + c.loops[0].path.length() + 2.0 + lead;
        assert!((length - whole).abs() < 1e-5, "{length} {whole}");
    }

    #[test]
    fn tab_neck_is_as_wide_as_asked() {
        // Calculated: L = b + D; D 6.35, b 6: lifted over 12.35, neck 6.
        let path = boxed(200.0, 80.0, D / 2.0);
        for along in [40.0, 100.0 + D / 2.0 + 40.0, 250.0, 0.5] {
            let tab = Tab {
                along,
                neck: 6.0,
                top: 4.0,
            };
            let c = cut(
                vec![a_loop(path.clone(), &[12.0, 6.0, 3.0, 1.2, -0.3])],
                true,
            );
            let points = sampled(&profile_moves(&c, &[tab], 21.0), 0.01);
            let (middle, _) = path.at_length(along).unwrap();
            let low = points.iter().filter(|p| p.z < tab.top - 1e-9);
            let gap = low
                .map(|p| path.nearest(p.xy()).unwrap().1)
                .map(|s| {
                    let d = (s - along).rem_euclid(path.length());
                    d.min(path.length() - d)
                })
                .fold(f64::INFINITY, f64::min);
            assert!(
                (2.0 * gap - 12.35).abs() < 1e-6,
                "lifted over {}",
                2.0 * gap
            );
            // The neck: no lower point's disc reaches within 3 mm of the tab's middle, across the kerf.
            let nearest = points
                .iter()
                .filter(|p| p.z < tab.top - 1e-9)
                .map(|p| p.xy().distance(middle))
                .fold(f64::INFINITY, f64::min);
            assert!((2.0 * (nearest - D / 2.0) - 6.0).abs() < 1e-6);
            // Everywhere else the lap reaches the floor.
            let floor = points.iter().filter(|p| p.z < -0.3 + 1e-9).count() as f64 * 0.01;
            assert!(floor > path.length() - 12.35, "{floor}");
        }
    }

    /// Depths along the path by a simulation of their own: heights of what stands, every tenth of a millimetre.
    #[test]
    fn no_wood_is_cut_deeper_than_a_pass_and_what_breaks_through_is_thin() {
        // 22.4 mm in passes of 2.986 mm and a last one of 1.5 mm; the underside is at 0.
        let floors: Vec<f64> = (1..=7)
            .map(|i| 22.1 - f64::from(i) * 20.9 / 7.0)
            .chain([-0.3])
            .collect();
        let tab = Tab {
            along: 30.0,
            neck: 6.0,
            top: 3.5,
        };
        let long = boxed(200.0, 80.0, D / 2.0);
        let short = Contour::circle(point(0.0, 0.0), 6.0).reversed();
        for (path, tabs) in [(&long, vec![]), (&long, vec![tab]), (&short, vec![])] {
            let c = cut(vec![a_loop(path.clone(), &floors)], true);
            let n = (10.0 * path.length()).ceil() as usize;
            let mut standing = vec![22.1; n];
            let (mut deepest, mut thickest) = (0.0_f64, 0.0_f64);
            for p in sampled(&profile_moves(&c, &tabs, 24.1), 0.02) {
                let (q, s) = path.nearest(p.xy()).unwrap();
                if q.distance(p.xy()) > 1e-6 {
                    continue;
                }
                let cell = &mut standing[(10.0 * s) as usize % n];
                let cut = *cell - p.z;
                deepest = deepest.max(cut);
                if p.z < -1e-9 && *cell > 1e-9 {
                    thickest = thickest.max(cut);
                }
                *cell = cell.min(p.z);
            }
            let tabbed = !tabs.is_empty();
            // A tenth of a millimetre along the slope is 0.006 mm of height.
            assert!(deepest < 20.9 / 7.0 + 0.02, "{deepest}");
            assert!(tabbed || thickest < 1.5 + 0.02, "{thickest}");
            let stands = standing.iter().filter(|z| **z > -0.3 + 1e-9).count();
            // The path's length is no whole number of cells.
            assert_eq!(stands > 1, tabbed, "{stands}");
        }
    }

    #[test]
    fn straight_down_where_asked() {
        let path = boxed(200.0, 80.0, D / 2.0);
        let mut c = cut(vec![a_loop(path.clone(), &[3.0, -0.3])], true);
        c.ramp = std::f64::consts::FRAC_PI_2;
        for along in [120.0, 0.5] {
            let tab = Tab {
                along,
                neck: 6.0,
                top: 2.0,
            };
            let moves = profile_moves(&c, &[tab], 8.0);
            let mut at = point(0.0, 0.0).at_z(SAFE_Z);
            let mut down = 0;
            for m in &moves {
                let end = m.end(at);
                let cuts = matches!(m, Move::Line { .. } | Move::Arc { .. });
                let climbs = cuts && (end.z - at.z).abs() > 1e-9;
                assert!(!climbs || at.xy().distance(end.xy()) < 1e-9, "{m:?}");
                down += usize::from(climbs && end.z < at.z);
                at = end;
            }
            // Once a pass, and once behind the tab.
            assert!(down >= 3, "{down}");
            let middle = path.at_length(along).unwrap().0;
            let nearest = sampled(&moves, 0.01)
                .into_iter()
                .filter(|p| p.z < tab.top - 1e-9)
                .map(|p| p.xy().distance(middle))
                .fold(f64::INFINITY, f64::min);
            assert!(2.0 * (nearest - D / 2.0) > 6.0 - 1e-6, "{nearest}");
        }
    }

    #[test]
    fn finishing_loop_comes_in_from_the_open_kerf_and_keeps_the_tabs() {
        let rough = a_loop(
            boxed(200.0, 80.0, D / 2.0 + 0.4).reversed(),
            &[9.0, 1.0, -0.3],
        );
        let path = boxed(200.0, 80.0, D / 2.0);
        let finish = CutLoop {
            finishing: true,
            ..a_loop(path.clone(), &[-0.3])
        };
        let c = cut(vec![rough.clone(), finish], true);
        let tab = Tab {
            along: 2.0,
            neck: 8.0,
            top: 3.0,
        };
        let moves = profile_moves(&c, &[tab], 14.0);
        let rapids = |m: &&Move| matches!(m, Move::Rapid { .. });
        assert_eq!(moves.iter().filter(rapids).count(), 3, "without a lift");
        // What is below the tab's upper side off the roughed path lies on the finishing one or on the way straight across.
        for p in sampled(&moves, 0.01)
            .iter()
            .filter(|p| p.z < tab.top - 1e-9)
        {
            let (a, b) = (rough.path.distance(p.xy()), path.distance(p.xy()));
            assert!(a < 1e-9 || b < 1e-9 || a + b < D / 2.0 + 0.4, "{p:?}");
        }
        let middle = path.at_length(tab.along).unwrap().0;
        let nearest = sampled(&moves, 0.01)
            .into_iter()
            .filter(|p| p.z < tab.top - 1e-9)
            .map(|p| p.xy().distance(middle))
            .fold(f64::INFINITY, f64::min);
        assert!(2.0 * (nearest - D / 2.0) > 8.0 - 1e-6, "{nearest}");
    }

    #[test]
    fn wider_kerf_is_cut_level_by_level() {
        let outer = a_loop(boxed(200.0, 80.0, 0.8 * D), &[16.0, 13.0, 10.0]);
        let inner = a_loop(boxed(200.0, 80.0, 0.5 * D), &[16.0, 13.0, 10.0]);
        let c = cut(vec![outer.clone(), inner.clone()], true);
        let moves = profile_moves(&c, &[], 21.0);
        let ups = moves
            .iter()
            .filter(|m| matches!(m, Move::Rapid { .. }))
            .count();
        assert_eq!(ups, 3, "no lifts between the levels");
        for floor in [16.0, 13.0, 10.0] {
            for path in [&outer.path, &inner.path] {
                let on = sampled(&moves, 0.05)
                    .into_iter()
                    .filter(|p| (p.z - floor).abs() < 1e-9 && path.distance(p.xy()) < 1e-9)
                    .count() as f64;
                assert!(on * 0.05 > path.length() - 0.2, "{floor} {on}");
            }
        }
    }

    #[test]
    fn feed_inside_an_arc_is_scaled_by_the_radii() {
        // Calculated: an 8 mm hole with a 6 mm cutter, the wall sees 4 times the centre's feed.
        let path = Contour::circle(point(0.0, 0.0), 1.0);
        let mut c = cut(vec![a_loop(path, &[-3.0])], false);
        c.cutter_diameter = 6.0;
        let moves = profile_moves(&c, &[], 1.0);
        let slowest = moves
            .iter()
            .filter_map(|m| match m {
                Move::Arc { feed, dz, .. } if dz.abs() < 1e-12 => Some(*feed),
                _ => None,
            })
            .fold(f64::INFINITY, f64::min);
        assert!((slowest - 600.0).abs() < 1e-9);
    }

    #[test]
    fn short_path_is_ramped_in_turns() {
        let path = Contour::circle(point(0.0, 0.0), 2.0);
        let c = cut(vec![a_loop(path, &[-3.0])], false);
        let moves = profile_moves(&c, &[], 2.0);
        let mut points = sampled(&moves, 0.05);
        // Straight down only over the face.
        points.retain(|p| p.z < 2.0 - AIR_MM);
        let slopes = points.windows(2).map(|w| {
            let run = w[0].xy().distance(w[1].xy());
            (w[0].z - w[1].z) / run.max(1e-9)
        });
        let steepest = slopes.fold(0.0, f64::max);
        assert!(steepest < 3.0_f64.to_radians().tan() * 1.001, "{steepest}");
    }
}
