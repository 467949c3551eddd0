//! The moves that clear a recess with one flat cutter: for pockets and their like, and for holes that no drill fits.
//!
//! Loops at a distance of one stepover run from the inside to the wall, on every pass; what they sweep is exactly what the cutter
//! can reach. Where a loop finds no wood, because others took it or because it lies beyond the edge, it is not run; where its cut is as
//! wide as the cutter or jumps in a corner, it is fed slower. A recess that opens into air is entered from there, others by a ramp.
//! Reliefs are cut with the feature. A slot as wide as the cutter is one pass on its centre line.

mod rest;
mod walk;
mod wood;

use crate::entry::{self, Wall, Way};
use crate::feeds::{CHIP_LOAD_FLOOR_MM, Feeds};
use crate::reach::{self, SLOT_HALF_MM};
use grainway_geom::{
    Contour, Notes, Point, Region, Segment, SegmentIndex, difference, insets, offset, offset_all,
};
use grainway_pipeline::doc::{Cutter, Flutes, Length, Machine};
use grainway_pipeline::motion::Move;
use grainway_pipeline::work::{CornerAnswer, SizedFeature, Variant};
use serde::de::Error;
use serde::{Deserialize, Deserializer};
use walk::{Node, Walk, tree};
use wood::Wood;

/// A corridor as wide as the cutter makes the way of a hair thinner cutter at least twice its own length longer. One shorter than half
/// of this, mm, is cleared by the cutter standing at its ends.
const NO_CORRIDOR_MM: f64 = 1.0;
/// Inner loops smaller than this across are left out, mm: no move is planned shorter than 0.1 mm (common practice, no source).
const SHORTEST_LOOP_MM: f64 = 0.1;
/// Closed passes along a wall go on this far beyond their start (common practice, no source).
const OVERLAP_MM: f64 = 2.0;
/// Above the highest top by this the slope of an entry begins: room for a Z zero that is a little off, not more air than needed.
const ENTRY_ABOVE_MM: f64 = 0.5;
/// The path of a helix is at least this share of the cutter's radius, else it is a plunge in disguise, and at most the other, so
/// that no core is left (a path diameter of 0.9 to 1.5 radii).
const HELIX_SHARE: [f64; 2] = [0.3, 0.75];
/// The last through pass is at most this deep, so that the exit does not splinter (common practice, no source).
pub const LAST_THROUGH_MM: f64 = 1.5;
/// A slot's centre line shorter than this is a point.
const POINT_MM: f64 = 0.05;
/// Where the cutter is suddenly engaged in a corner, or over its whole width one pass deep, the feed is this share (halved: common
/// practice, no source). In shallower slots it is more, as far as that they cut no more than such a slot.
const ENGAGED_SHARE: f64 = 0.5;
/// Loops of shallow passes lie farther apart, so that they cut as much as those of full ones: at most this share of the diameter
/// (common practice, no source).
const WIDEST_STEP: f64 = 0.45;
/// Wood may be thicker than its mean by this share of a pass without a pass more: what it is more is taken by the first one.
const THICK_SHARE: f64 = 0.05;
/// Half the diameter is where one starts from (common practice, no source): where the shop gives no depth of its own, passes may be
/// deeper by this share when that saves one.
const DEEPER_SHARE: f64 = 0.025;
/// A compression cutter's first pass goes this much deeper than its up-cut tip is long. Common practice, no source.
const PAST_TIP_MM: f64 = 0.5;
/// A turn (radians) from which a corner of a path counts as one where engagement jumps.
const JUMP_TURN: f64 = 0.7;

/// A cutter comes down fast to no less than this above the wood, mm: the wood is not flat and its zero a little off. Common
/// practice, no source.
const LEAST_CLEARANCE_MM: f64 = 2.0;

/// A `clearance` of settings: less than [`LEAST_CLEARANCE_MM`] is refused.
pub(crate) fn clearance<'de, D: Deserializer<'de>>(d: D) -> Result<Length, D::Error> {
    let length = Length::deserialize(d)?;
    if length.mm() >= LEAST_CLEARANCE_MM - 1e-9 {
        return Ok(length);
    }
    Err(D::Error::custom(format!(
        "clearance is {} mm; it must be at least {LEAST_CLEARANCE_MM} mm",
        length.mm()
    )))
}

/// How a recess is cleared.
#[derive(Clone, Copy, Debug, PartialEq)]
pub struct ClearingSettings {
    /// Distance of neighbouring loops as a share of the cutter's diameter; taken between 0.05 and 0.45.
    pub stepover: f64,
    /// Steepest ramp or helix into the wood, degrees; taken between 0.5 and 10.
    pub ramp_degrees: f64,
    /// Rough with the wall on the right of the cutter's travel.
    pub climb: bool,
    /// Take the walls to size in a pass of their own where the room allows it.
    pub finish: bool,
    /// Wood that the roughing leaves on walls for that pass, mm.
    pub finish_allowance: f64,
    /// Height above the wood to which the cutter comes down fast, mm; at least [`LEAST_CLEARANCE_MM`].
    pub clearance: f64,
}

/// The moves that clear a feature with this cutter, without findings about what stays: for holes cleared in loops.
pub fn clear_moves(
    cutter: &Cutter,
    feeds: &Feeds,
    settings: &ClearingSettings,
    variant: &Variant,
    feature: &SizedFeature,
    notes: &mut Notes,
) -> Vec<Move> {
    Clearing::new(cutter, feeds, settings, variant, feature)
        .clear(variant, feature, notes)
        .rough
}

/// The moves that clear all of a feature and take its walls to size; `None` where the cutter cannot.
pub fn clear_wholly(
    cutter: &Cutter,
    feeds: &Feeds,
    settings: &ClearingSettings,
    variant: &Variant,
    feature: &SizedFeature,
    notes: &mut Notes,
) -> Option<Vec<Move>> {
    let clearing = Clearing::new(cutter, feeds, settings, variant, feature);
    let cleared = clearing.clear(variant, feature, notes);
    let able = cleared.trouble.is_none() && !cleared.rough.is_empty();
    able.then(|| [cleared.rough, cleared.finish].concat())
}

/// The moves for a recess.
#[derive(Default)]
pub(crate) struct Cleared {
    pub(crate) rough: Vec<Move>,
    pub(crate) finish: Vec<Move>,
    pub(crate) trouble: Option<String>,
}

/// Figures for clearing one recess with one cutter.
pub(crate) struct Clearing<'a> {
    cutter: &'a Cutter,
    pub(crate) radius: f64,
    step: f64,
    allowance: f64,
    feed: f64,
    finish_feed: f64,
    /// Greatest depth of a pass, mm.
    pass_depth: f64,
    /// The feed at which the chip load is at its floor, mm/min.
    floor_feed: f64,
    way: Way,
    climb: bool,
    finish: bool,
    top: f64,
    approach: f64,
    passes: Vec<f64>,
    lobes: Vec<Lobe>,
}

/// How deep the first pass of a compression cutter must be, mm, so that its up-cut tip does not splinter the face; `None` for
/// other cutters.
pub(crate) fn first_pass(cutter: &Cutter) -> Option<f64> {
    (cutter.flutes == Flutes::Compression).then(|| {
        let tip = cutter.up_cut_length.unwrap_or(cutter.diameter).mm();
        tip + PAST_TIP_MM
    })
}

/// A relief as the cutter's centre runs it: from the fillet's centre out and back.
#[derive(Clone, Copy, Debug)]
struct Lobe {
    from: Point,
    centre: Point,
}

/// Depths of the passes of a recess, the last through one thin, the first at least `first` deep where a compression cutter asks
/// for it.
pub fn passes(top: f64, floor: f64, most: f64, through: bool, first: Option<f64>) -> Vec<f64> {
    if let Some(first) = first.filter(|f| *f > most) {
        let below = top - first;
        let mut passes = vec![below.max(floor)];
        passes.extend(self::passes(below, floor, most, through, None));
        return passes;
    }
    let thin = LAST_THROUGH_MM.min(most);
    if through && top - floor > thin + most.min(LAST_THROUGH_MM) && most > LAST_THROUGH_MM {
        let mut passes = entry::equal_passes(top, floor + thin, most);
        passes.push(floor);
        passes
    } else {
        entry::equal_passes(top, floor, most)
    }
}

impl<'a> Clearing<'a> {
    pub(crate) fn new(
        cutter: &'a Cutter,
        feeds: &Feeds,
        settings: &ClearingSettings,
        variant: &Variant,
        feature: &SizedFeature,
    ) -> Clearing<'a> {
        let radius = cutter.radius_mm();
        let top = variant.z.highest_top();
        let lobes = feature
            .corners
            .iter()
            .filter_map(|c| match c.answer {
                CornerAnswer::Lobe { from, centre, .. } => Some(Lobe { from, centre }),
                _ => None,
            })
            .collect();
        let most = feeds.pass_depth;
        let first = first_pass(cutter).filter(|f| *f <= most.max(cutter.diameter.mm()));
        let passes_of = |top, most| passes(top, feature.floor, most, feature.through, first);
        let thick = top - variant.z.top() > THICK_SHARE * most;
        let face = if thick { top } else { variant.z.top() };
        let deeper = match cutter.pass_depth {
            Some(_) => most,
            None => most * (1.0 + DEEPER_SHARE),
        };
        let passes = [passes_of(face, most), passes_of(face, deeper)]
            .into_iter()
            .min_by_key(Vec::len)
            .unwrap_or_default();
        let deepest = std::iter::once(variant.z.top())
            .chain(passes.iter().copied())
            .zip(&passes)
            .map(|(above, z)| above - z)
            .fold(0.0, f64::max);
        let stepover = settings.stepover.clamp(0.05, WIDEST_STEP);
        let shallow = (stepover * most / deepest.max(1e-3)).min(WIDEST_STEP);
        Clearing {
            cutter,
            radius,
            step: 2.0 * radius * shallow,
            allowance: settings.finish_allowance.clamp(0.0, 0.5 * radius),
            feed: feeds.feed,
            finish_feed: feeds.feed,
            pass_depth: most,
            floor_feed: (CHIP_LOAD_FLOOR_MM * feeds.feed / feeds.feed_per_tooth).ceil(),
            way: Way {
                ramp: settings.ramp_degrees.clamp(0.5, 10.0).to_radians(),
                feed: feeds.feed,
                plunge: feeds.plunge,
            },
            climb: settings.climb,
            finish: settings.finish && settings.finish_allowance > 0.0,
            top,
            approach: top + settings.clearance,
            passes,
            lobes,
        }
    }

    /// The feed in a slot of this depth: what it cuts is no more than a full slot at half feed does.
    fn slot_feed(&self, depth: f64) -> f64 {
        let share = ENGAGED_SHARE * self.pass_depth / depth.max(1e-3);
        (self.feed * share.clamp(ENGAGED_SHARE, 1.0)).max(self.floor_feed.min(self.feed))
    }

    /// The feed where the cutter is engaged over its whole width or suddenly: lower, but not so low that it rubs.
    fn slowed(&self, feed: f64) -> f64 {
        (ENGAGED_SHARE * feed).max(self.floor_feed.min(feed))
    }

    /// Feeds of the finishing pass: its chips are thin, so its feed may be higher.
    pub(crate) fn finish_feeds(&self, feeds: &Feeds, cutter: &Cutter, machine: &Machine) -> Feeds {
        feeds.clone().thinned(self.allowance, cutter, machine)
    }

    /// All moves for the feature.
    pub(crate) fn clear(
        &self,
        variant: &Variant,
        feature: &SizedFeature,
        notes: &mut Notes,
    ) -> Cleared {
        let mut cleared = Cleared::default();
        let room = reach::machining(variant, feature, self.radius, notes);
        let levels = |inset: f64, notes: &mut Notes| -> Vec<Vec<Vec<Region>>> {
            room.iter()
                .map(|r| insets(r, inset, self.step, notes))
                .collect()
        };
        let (levels, centres, finish) = if self.finish {
            let centres = reach::centres(&room, self.radius, notes);
            let finish = self.room_for_finish(&centres, &room, notes);
            let kept = if finish { self.allowance } else { 0.0 };
            (levels(self.radius + kept, notes), centres, finish)
        } else {
            let levels = levels(self.radius, notes);
            let outermost = levels.iter().filter_map(|l| l.first());
            let centres = outermost.flatten().cloned().collect();
            (levels, centres, false)
        };
        let mut lobes = self.lobes.clone();
        let mut moves = Vec::new();
        let wanted = reach::required(variant, feature, self.radius, notes);
        let wood = Wood::of(&wanted, self.radius);
        let walls = wanted
            .iter()
            .flat_map(Region::contours)
            .flat_map(Contour::segments);
        let edge = SegmentIndex::new(variant.outline.segments());
        let in_edge = |s: &Segment| edge.distance_to_point(s.at(0.5), reach::MEETS_MM).is_some();
        let walls = SegmentIndex::new(walls.filter(|s| !in_edge(s)));
        for mut levels in levels {
            // Inside a loop nothing is farther from it than the step, which is less than the cutter's radius: a loop too small to
            // run clears nothing that the one around it does not.
            for level in levels.iter_mut().skip(1) {
                level.retain(|r| r.bounds().width().max(r.bounds().height()) >= SHORTEST_LOOP_MM);
            }
            for root in tree(levels) {
                // A room with a loop inside is wider than that.
                let slot = root.children.is_empty()
                    && offset(&root.region, -SLOT_HALF_MM, notes).is_empty();
                if slot {
                    // As wide as the cutter, or a hair wider: one pass on the centre line.
                    self.slot(
                        &mut moves,
                        &root.region,
                        &wood,
                        &mut lobes,
                        &mut cleared.trouble,
                    );
                } else {
                    self.pocket(&mut moves, &root, &centres, (&wood, &walls), &mut lobes);
                }
            }
        }
        if !finish {
            for thin in self.tight(&room, &centres, notes) {
                self.slot(&mut moves, &thin, &wood, &mut lobes, &mut cleared.trouble);
            }
        }
        cleared.rough = moves;
        if finish {
            self.finish_walls(&mut cleared.finish, &centres);
        }
        cleared
    }

    /// Parts of the room that are as wide as the cutter within the slot match, so that its centre has no area there: the thin
    /// regions of a cutter half that match thinner, less what is cleared anyway.
    fn tight(&self, room: &[Region], centres: &[Region], notes: &mut Notes) -> Vec<Region> {
        let slack = reach::centres(room, self.radius - SLOT_HALF_MM, notes);
        if slack.is_empty() {
            return Vec::new();
        }
        if centres.is_empty() {
            return slack;
        }
        // As many loops, and hardly longer: the thinner cutter gets nowhere that the cutter does not.
        let loops = |regions: &[Region]| regions.iter().map(|r| 1 + r.holes.len()).sum::<usize>();
        let length = |regions: &[Region]| -> f64 {
            regions
                .iter()
                .flat_map(|r| r.contours())
                .map(Contour::length)
                .sum()
        };
        if loops(&slack) == loops(centres) && length(&slack) - length(centres) < NO_CORRIDOR_MM {
            return Vec::new();
        }
        let covered = offset_all(centres, SLOT_HALF_MM + 0.002, notes);
        difference(&slack, &covered)
            .into_iter()
            // In sharp corners the thinner cutter reaches a hair farther: those shreds are no slots.
            .filter(|r| {
                let b = r.bounds();
                b.width().max(b.height()) > 8.0 * SLOT_HALF_MM
            })
            .collect()
    }

    /// A finishing pass makes sense where the roughing, which keeps its allowance from the walls, gets everywhere.
    fn room_for_finish(&self, centres: &[Region], room: &[Region], notes: &mut Notes) -> bool {
        let rough = reach::centres(room, self.radius + self.allowance, notes);
        if rough.is_empty() || rough.len() != centres.len() {
            return false;
        }
        let reached = offset_all(&rough, self.allowance + 0.5 * self.radius, notes);
        difference(centres, &reached)
            .iter()
            .map(Region::area)
            .sum::<f64>()
            < 0.05 * self.radius * self.radius
            && self.tight(room, centres, notes).is_empty()
    }

    /// Clears one connected room, all passes.
    fn pocket(
        &self,
        moves: &mut Vec<Move>,
        root: &Node,
        centres: &[Region],
        (wood, walls): (&Wood, &SegmentIndex),
        lobes: &mut Vec<Lobe>,
    ) {
        let mine = take_lobes(lobes, &root.region, 0.5 * self.radius + self.allowance);
        let edge = root.region.contours();
        let airs = edge
            .flat_map(|c| wood::places(c, 0.0, self.radius, (c.length() / self.radius) as usize));
        let mut walk = Walk {
            clearing: self,
            moves,
            centres,
            lobes: &mine,
            at: None,
            z: 0.0,
            above: self.top,
            deep: false,
            beside_air: false,
            wood: None,
            airs: airs.filter(|p| !wood.stood(*p)).collect(),
            walls,
        };
        let mut above = self.top + ENTRY_ABOVE_MM;
        for &z in &self.passes {
            walk.level(z, above, wood);
            walk.node(root, true);
            above = z;
        }
        walk.leave();
    }

    /// A slot on its centre line, all passes.
    fn slot(
        &self,
        moves: &mut Vec<Move>,
        thin: &Region,
        wood: &Wood,
        lobes: &mut Vec<Lobe>,
        trouble: &mut Option<String>,
    ) {
        let line = centre_line(&thin.outer);
        let Some(start) = line.start() else { return };
        if line.length() < POINT_MM {
            self.spot(moves, thin.bounds().centre(), trouble);
            return;
        }
        let mine = take_lobes(lobes, thin, 0.5 * self.radius);
        let air = |p: Option<Point>| p.is_some_and(|p| !wood.stood(p));
        // A slot that opens into air at an end begins there.
        let line = match !air(Some(start)) && air(line.end()) && !line.closed {
            true => line.reversed(),
            false => line,
        };
        let start = line.start().unwrap_or(start);
        entry::approach(moves, start, self.approach);
        let mut above = self.top + ENTRY_ABOVE_MM;
        moves.push(Move::line(start.at_z(above), self.way.plunge));
        let back = line.reversed();
        let mut at_end = false;
        for &z in &self.passes {
            let feed = self.slot_feed(above.min(self.top) - z);
            let way = Way { feed, ..self.way };
            let there = |at_end: bool| if at_end { &back } else { &line };
            if line.closed {
                let on = entry::ramp_closed(moves, &line, 0.0, (above, z), &way);
                // Once round from where the floor was reached, and on to the start, so that the next pass starts there.
                let whole = line.length();
                let to = if on > 0.0 { 2.0 * whole } else { whole };
                self.along(moves, &line, on, &[(to, feed)], z, None, &mine);
            } else {
                if air(there(at_end).start()) {
                    let from = there(at_end).start().unwrap_or(start);
                    moves.push(Move::line(from.at_z(z), self.way.plunge));
                } else {
                    let turned = entry::zigzag(moves, there(at_end), above, z, &way);
                    at_end ^= turned;
                }
                // The last slope left a wedge: once more over the whole floor.
                let path = there(at_end);
                self.along(moves, path, 0.0, &[(path.length(), feed)], z, None, &mine);
                at_end = !at_end;
            }
            above = z;
        }
        let end = if at_end { line.end() } else { line.start() };
        entry::retract(moves, end.unwrap_or(start));
    }

    /// A recess no larger than the cutter itself: straight down in steps, lifted between them.
    fn spot(&self, moves: &mut Vec<Move>, at: Point, trouble: &mut Option<String>) {
        let mut down = Vec::new();
        entry::approach(&mut down, at, self.approach);
        for &z in &self.passes {
            if !entry::plunge(&mut down, at, z, self.cutter, &self.way) {
                *trouble = Some(format!(
                    "The recess at ({:.3}, {:.3}) is as large as the cutter ({}), which must not go straight down.",
                    at.x,
                    at.y,
                    self.cutter.label()
                ));
                return;
            }
            down.push(Move::line(at.at_z(self.approach), self.feed));
        }
        entry::retract(&mut down, at);
        moves.extend(down);
    }

    /// Along a path from a length on, each span to its end at its feed, with the lobes that hang on it as ways out and back.
    #[allow(clippy::too_many_arguments)]
    fn along(
        &self,
        moves: &mut Vec<Move>,
        path: &Contour,
        from: f64,
        spans: &[(f64, f64)],
        z: f64,
        wall: Option<Wall>,
        lobes: &[Lobe],
    ) {
        let length = path.length();
        let to = spans.last().map_or(from, |s| s.0);
        // Where the path is left for a lobe: each once, the first time it is passed.
        let mut stops: Vec<(f64, Lobe)> = lobes
            .iter()
            .filter_map(|l| {
                let (_, mut at) = path.nearest(l.from)?;
                if path.closed {
                    while at < from - 1e-9 {
                        at += length;
                    }
                }
                Some((at, *l)).filter(|_| at <= to + 1e-6 || !path.closed)
            })
            .map(|(at, l)| (at.clamp(from, to.max(from)), l))
            .collect();
        stops.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut stops = stops.into_iter().peekable();
        let mut done = from;
        for &(end, feed) in spans {
            while let Some((stop, lobe)) = stops.next_if(|s| s.0 <= end) {
                entry::follow(moves, path, done, stop, z, feed, wall);
                done = stop;
                self.out_and_back(moves, path, stop, lobe, z);
            }
            entry::follow(moves, path, done, end, z, feed, wall);
            done = end;
        }
    }

    /// Out from a path into a lobe and back.
    fn out_and_back(&self, moves: &mut Vec<Move>, path: &Contour, stop: f64, lobe: Lobe, z: f64) {
        let slow = self.slowed(self.feed);
        let along = if path.closed {
            stop % path.length()
        } else {
            stop
        };
        let Some((back, _)) = path.at_length(along) else {
            return;
        };
        for pair in [back, lobe.from, lobe.centre, lobe.from, back].windows(2) {
            if pair[0].distance(pair[1]) > 1e-6 {
                moves.push(Move::line(pair[1].at_z(z), slow));
            }
        }
    }

    /// Along a path with the feed halved over the last radius before, and the first after, each corner that turns away from the
    /// wall's side into the wood.
    #[allow(clippy::too_many_arguments)]
    fn paced(
        &self,
        moves: &mut Vec<Move>,
        path: &Contour,
        from: f64,
        to: f64,
        z: f64,
        feed: f64,
        wall: Option<Wall>,
    ) {
        let zones = match wall {
            Some(w) => slow_zones(path, w, self.radius, from, to),
            None => Vec::new(),
        };
        let mut done = from;
        for (a, b) in zones {
            entry::follow(moves, path, done, a, z, feed, wall);
            entry::follow(moves, path, a, b, z, self.slowed(feed), wall);
            done = b;
        }
        entry::follow(moves, path, done, to, z, feed, wall);
    }

    /// The walls at full depth, climbing, each with a tangential arc in and out on the cleared side.
    fn finish_walls(&self, moves: &mut Vec<Move>, centres: &[Region]) {
        let Some(&z) = self.passes.last() else { return };
        let wall = Wall {
            right: true,
            radius: self.radius,
        };
        for region in centres {
            for contour in region.contours() {
                let path = started_on_straight(contour);
                let (Some((start, dir)), length) = (path.at_length(0.0), path.length()) else {
                    continue;
                };
                // The region lies on the left of its contours; the arc comes from there.
                let turn = self.lead(region, start, dir);
                let from = start + dir.left() * turn - dir * turn;
                entry::approach(moves, from, self.approach);
                moves.push(Move::line(
                    from.at_z(self.top + ENTRY_ABOVE_MM),
                    self.way.plunge,
                ));
                // This column is cleared: down without cutting.
                moves.push(Move::line(from.at_z(z), self.way.plunge));
                let quarter = std::f64::consts::FRAC_PI_2;
                if turn > 0.0 {
                    moves.push(Move::Arc {
                        centre: start + dir.left() * turn,
                        sweep: quarter,
                        dz: 0.0,
                        feed: self.finish_feed,
                    });
                }
                let end = length + OVERLAP_MM.min(0.25 * length);
                self.paced(moves, &path, 0.0, end, z, self.finish_feed, Some(wall));
                let Some((stop, dir)) = path.at_length(end % length) else {
                    continue;
                };
                let turn = self.lead(region, stop, dir);
                let mut last = stop;
                if turn > 0.0 {
                    moves.push(Move::Arc {
                        centre: stop + dir.left() * turn,
                        sweep: quarter,
                        dz: 0.0,
                        feed: self.finish_feed,
                    });
                    last = stop + dir.left() * turn + dir * turn;
                }
                entry::retract(moves, last);
            }
        }
    }

    /// Radius of a tangential arc that stays inside the region of centres, mm; 0 where there is no room for one.
    fn lead(&self, region: &Region, at: Point, dir: Point) -> f64 {
        let mut turn = self.radius;
        // A smaller arc would start in wood that the roughing left.
        while turn > (0.1 * self.radius).max(self.allowance) {
            let hub = at + dir.left() * turn;
            if region.contains(hub) && region.distance(hub) >= turn - 1e-3 {
                return turn;
            }
            turn *= 0.7;
        }
        0.0
    }
}

/// Takes the lobes whose way out starts at this region.
fn take_lobes(lobes: &mut Vec<Lobe>, region: &Region, within: f64) -> Vec<Lobe> {
    let (mine, rest) = lobes
        .iter()
        .copied()
        .partition(|l| region.contains(l.from) || region.distance(l.from) <= within);
    *lobes = rest;
    mine
}

/// Stretches of a path, by length between `from` and `to`, within `radius` of a corner that turns into the wood. With the wall
/// on the right these are left turns: the path follows a corner of the wall.
fn slow_zones(path: &Contour, wall: Wall, radius: f64, from: f64, to: f64) -> Vec<(f64, f64)> {
    let segments: Vec<Segment> = path.segments().filter(|s| s.length() > 1e-9).collect();
    let total: f64 = segments.iter().map(Segment::length).sum();
    if segments.len() < 2 || total <= 0.0 {
        return Vec::new();
    }
    let mut zones: Vec<(f64, f64)> = Vec::new();
    let mut start = 0.0;
    let rounds = (to / total).ceil().max(1.0) as usize + 1;
    for i in 0..segments.len() {
        let previous = &segments[(i + segments.len() - 1) % segments.len()];
        let jump = match (previous.direction(1.0), segments[i].direction(0.0)) {
            (Some(a), Some(b)) if i > 0 || path.closed => {
                let turn = a.cross(b).atan2(a.dot(b));
                if wall.right {
                    turn > JUMP_TURN
                } else {
                    turn < -JUMP_TURN
                }
            }
            _ => false,
        };
        if jump {
            for k in 0..rounds {
                let corner = start + k as f64 * total;
                let zone = ((corner - radius).max(from), corner.min(to));
                if zone.1 - zone.0 > 0.1 {
                    zones.push(zone);
                }
            }
        }
        start += segments[i].length();
    }
    zones.sort_by(|a, b| a.0.total_cmp(&b.0));
    let mut merged: Vec<(f64, f64)> = Vec::new();
    for z in zones {
        match merged.last_mut() {
            Some(last) if z.0 <= last.1 + 1e-9 => last.1 = last.1.max(z.1),
            _ => merged.push(z),
        }
    }
    merged
}

/// The same closed contour, starting in the middle of its longest straight piece (or of its longest piece).
fn started_on_straight(contour: &Contour) -> Contour {
    let mut best = (f64::NEG_INFINITY, 0.0);
    let mut along = 0.0;
    for s in contour.segments() {
        let straight = if matches!(s, Segment::Line { .. }) {
            1.0
        } else {
            0.1
        };
        if s.length() * straight > best.0 {
            best = (s.length() * straight, along + 0.5 * s.length());
        }
        along += s.length();
    }
    started_at(contour, best.1)
}

/// The same closed contour, starting `along` mm after its start.
fn started_at(contour: &Contour, along: f64) -> Contour {
    let segments: Vec<Segment> = contour.segments().collect();
    let mut before = 0.0;
    for (i, s) in segments.iter().enumerate() {
        let length = s.length();
        if along < before + length - 1e-6 {
            let t = if length > 0.0 {
                (along - before) / length
            } else {
                0.0
            };
            let mut turned = Vec::with_capacity(segments.len() + 1);
            if t * length > 1e-6 {
                turned.push(s.piece(t, 1.0));
            } else {
                turned.push(*s);
            }
            turned.extend(segments[i + 1..].iter().chain(&segments[..i]).copied());
            if t * length > 1e-6 {
                turned.push(s.piece(0.0, t));
            }
            return Contour::from_segments(&turned, true);
        }
        before += length;
    }
    contour.clone()
}

/// The centre line of a thin closed contour: half of the contour between its two tips, or the middle between both halves where
/// they are straight. Off by at most half of the contour's width, which is within the slot match.
fn centre_line(thin: &Contour) -> Contour {
    let segments: Vec<Segment> = thin.segments().filter(|s| s.length() > 1e-9).collect();
    let points: Vec<Point> = segments.iter().map(Segment::start).collect();
    if points.len() < 2 {
        return Contour::default();
    }
    let middle = |a: f64| thin.at_length(a).map(|(p, _)| p);
    // The longest two pieces are the two sides of a straight or round slot; between them lie its tips.
    let length = thin.length();
    let mut by_length: Vec<usize> = (0..segments.len()).collect();
    by_length.sort_by(|a, b| {
        segments[*b]
            .length()
            .total_cmp(&segments[*a].length())
            .then(a.cmp(b))
    });
    let [a, b] = [segments[by_length[0]], segments[by_length[1]]];
    let simple = a.length() + b.length() > length - 8.0 * SLOT_HALF_MM - 1e-6
        && (a.length() - b.length()).abs() < 8.0 * SLOT_HALF_MM;
    if simple {
        let other = b.reversed();
        return match (a, other) {
            (Segment::Line { a: p, b: q }, Segment::Line { a: r, b: s }) => {
                Contour::open([p.lerp(r, 0.5), q.lerp(s, 0.5)])
            }
            (
                Segment::Arc {
                    a: p,
                    centre,
                    radius,
                    sweep,
                    ..
                },
                Segment::Arc { radius: outer, .. },
            ) => {
                let start = centre + (p - centre) * (0.5 * (radius + outer) / radius);
                Contour::from_segments(&[Segment::arc_about(centre, start, sweep)], false)
            }
            _ => Contour::from_segments(&[a], false),
        };
    }
    // A slot of several pieces: the tips are the two points farthest from each other along half the contour.
    let mut tips = (0, 0, -1.0);
    for i in 0..points.len() {
        for j in i + 1..points.len() {
            let d = points[i].distance(points[j]);
            if d > tips.2 {
                tips = (i, j, d);
            }
        }
    }
    if tips.2 < POINT_MM {
        return Contour::open(middle(0.0));
    }
    let half: Vec<Segment> = segments[tips.0..tips.1].to_vec();
    let half_length: f64 = half.iter().map(Segment::length).sum();
    if (half_length - 0.5 * length).abs() < 0.02 * length + 8.0 * SLOT_HALF_MM {
        Contour::from_segments(&half, false)
    } else {
        // It branches or runs round: follow all of it.
        thin.clone()
    }
}
