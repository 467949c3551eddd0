//! Which answers the corners of a mortise and its tenon get, out of all that can be given.

use super::Way;
use grainway_geom::{Bounds, Contour, Point, PolySet, point};
use grainway_pipeline::doc::Seen;
use grainway_pipeline::tolerance::KERNEL_MM;
use std::cmp::Ordering;

/// The shoulder goes on at least so far past a mortise that it covers, mm. Common practice, no source: 1 to 2 mm.
const COVER_MM: f64 = 1.5;
/// What lies no farther from the mate than this is the gap of the fit itself, mm.
const GAP_MM: f64 = 1.0;
/// A smaller opening is none, mm².
const NOTHING_MM2: f64 = 1e-3;
/// A tenon's root is looked at in so many places for where it is narrowest.
const LOSS_STEPS: u32 = 200;
/// Lengths that differ by less than this are the same, mm.
const SAME_MM: f64 = 1e-6;

/// What is done at one end of a mortise, simplest first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum AtEnd {
    /// Its fillets stay: the tenon's arrises are eased.
    AsItIs,
    /// Longer by its cutter's radius, so that the tenon's arrises clear its fillets.
    Longer,
    /// Longer by both radii, so that the fillets at the tenon's root go in too.
    LongerForBoth,
    /// Lobes into the end.
    Lobes,
    /// Both corners are squared by hand.
    ByHand,
}

/// What becomes of the corner at one edge of a tenon's root, simplest first.
#[derive(Clone, Copy, Debug, PartialEq)]
pub(super) enum AtRoot {
    /// The job says it, or there is no corner.
    AsAsked,
    /// The fillet stays.
    Stays,
    /// A lobe into the tenon's edge, hidden in the mortise.
    LobeIntoEdge,
    /// A lobe into both edges: the tenon loses less, and the shoulder shows it.
    DogBone,
    /// It is squared by hand.
    ByHand,
}

/// A mortise before anything is done about its corners.
pub(super) struct Mouth {
    pub(super) part: String,
    pub(super) key: String,
    /// It lies along its part.
    pub(super) along: bool,
    /// Of its cutter, mm.
    pub(super) radius: f64,
    /// Of the fillet at the tenon's root, mm.
    pub(super) fillet: f64,
    /// A lobe reaches so much farther than its corner, mm.
    pub(super) margin: f64,
    /// Between the tenon's edge and each end, mm.
    pub(super) end_room: f64,
    /// Across its cheeks, mm.
    pub(super) thick: f64,
    /// How far the shoulder goes on beside the tenon at each end, mm: the narrower of the two, since a rail may go in either way round, but
    /// between tenons what lies between them.
    pub(super) shoulder: [f64; 2],
    /// The radius of the tenon's eased arrises, mm.
    pub(super) mate_eased: f64,
    /// How much it is seen where the tenon goes in, and where it comes out.
    pub(super) entry: Seen,
    pub(super) exit: Option<Seen>,
    /// It can reach so much farther at each end, mm: the part has the wood.
    pub(super) most_reach: [f64; 2],
}

/// The corners at a tenon's root.
pub(super) struct Root {
    /// Of the outline's cutter, mm.
    pub(super) radius: f64,
    /// A lobe reaches so much farther than its corner, mm.
    pub(super) margin: f64,
    /// Of the tenon, mm.
    pub(super) width: f64,
    /// How wide its shoulders are at its near and far edge, mm; infinite where they are not known.
    pub(super) shoulders: [f64; 2],
    /// What may become of the corners at its near and far edge.
    pub(super) answers: [Vec<AtRoot>; 2],
    /// The radius of the mortise's eased mouth, mm.
    pub(super) mate_eased: f64,
    /// How much the face and the back of its part are seen.
    pub(super) seen: [Seen; 2],
    /// The tenon may lose this share of its bending section.
    pub(super) most_loss: f64,
}

/// What was chosen: for the root's two corners, and for the ends of each mortise.
pub(super) struct Choice {
    pub(super) root: [AtRoot; 2],
    pub(super) ends: Vec<[AtEnd; 2]>,
}

/// What an answer costs. What shows on a side that is always seen weighs most, then corners left for hands, then what shows on a
/// side that is seen at times, then the share of the tenon's bending section that is lost. What is never seen weighs nothing. A sickle
/// needs no weight of its own against a half-moon: of the answers that compete it is the smaller area.
#[derive(Clone, Copy, Debug, Default)]
struct Cost {
    show: f64,
    by_hand: u32,
    inside: f64,
    lost: f64,
}

impl Cost {
    fn add_seen(&mut self, area: f64, seen: Seen) {
        let area = if area > NOTHING_MM2 { area } else { 0.0 };
        match seen {
            Seen::Show => self.show += area,
            Seen::Inside => self.inside += area,
            Seen::Hidden => {}
        }
    }
    fn with(mut self, other: Cost) -> Cost {
        self.show += other.show;
        self.by_hand += other.by_hand;
        self.inside += other.inside;
        self.lost += other.lost;
        self
    }
    fn order(&self, other: &Cost) -> Ordering {
        let area = |a: f64, b: f64| match (a - b).abs() > NOTHING_MM2 {
            true => a.total_cmp(&b),
            false => Ordering::Equal,
        };
        area(self.show, other.show)
            .then(self.by_hand.cmp(&other.by_hand))
            .then(area(self.inside, other.inside))
            .then(self.lost.total_cmp(&other.lost))
    }
}

impl AtEnd {
    const ALL: [AtEnd; 5] = [
        AtEnd::AsItIs,
        AtEnd::Longer,
        AtEnd::LongerForBoth,
        AtEnd::Lobes,
        AtEnd::ByHand,
    ];
    pub(super) fn way(self, along: bool) -> Way {
        match self {
            AtEnd::AsItIs | AtEnd::Longer | AtEnd::LongerForBoth => Way::Covered,
            // The ends of a mortise that lies along run across.
            AtEnd::Lobes if along => Way::IntoAcross,
            AtEnd::Lobes => Way::IntoAlong,
            AtEnd::ByHand => Way::ByHand,
        }
    }
}

impl AtRoot {
    /// What may become of a corner where the job leaves it open.
    pub(super) const OPEN: [AtRoot; 4] = [
        AtRoot::Stays,
        AtRoot::LobeIntoEdge,
        AtRoot::DogBone,
        AtRoot::ByHand,
    ];
    /// `None` where the job says it.
    pub(super) fn way(self) -> Option<Way> {
        Some(match self {
            AtRoot::AsAsked => return None,
            AtRoot::Stays => Way::Covered,
            // The tenon's edge runs along its part.
            AtRoot::LobeIntoEdge => Way::IntoAlong,
            AtRoot::DogBone => Way::DogBone,
            AtRoot::ByHand => Way::ByHand,
        })
    }
}

/// The least costly answers among those that let the joint close; the first of equals.
pub(super) fn best(root: &Root, mouths: &[Mouth]) -> Choice {
    let mut best: Option<(Cost, Choice)> = None;
    for near in &root.answers[0] {
        for far in &root.answers[1] {
            let answers = [*near, *far];
            let Some(mut cost) = root.cost(answers) else {
                continue;
            };
            let fillets =
                answers.contains(&AtRoot::Stays) && root.mate_eased < root.radius - SAME_MM;
            let ends: Option<Vec<(Cost, [AtEnd; 2])>> =
                mouths.iter().map(|m| m.best(fillets)).collect();
            let Some(ends) = ends.filter(|_| !fillets || !mouths.is_empty()) else {
                continue;
            };
            cost = ends.iter().fold(cost, |sum, (c, _)| sum.with(*c));
            let better = best
                .as_ref()
                .is_none_or(|(least, _)| cost.order(least) == Ordering::Less);
            if better {
                let ends = ends.into_iter().map(|(_, e)| e).collect();
                let choice = Choice {
                    root: answers,
                    ends,
                };
                best = Some((cost, choice));
            }
        }
    }
    // What the job asks for at the root may keep the joint open; that is told once it is put together.
    best.map(|(_, choice)| choice).unwrap_or_else(|| Choice {
        root: [AtRoot::AsAsked; 2],
        ends: mouths
            .iter()
            .map(|m| m.best(false).map_or([AtEnd::ByHand; 2], |(_, e)| e))
            .collect(),
    })
}

impl Root {
    /// What the answers cost; `None` where the tenon loses too much.
    fn cost(&self, answers: [AtRoot; 2]) -> Option<Cost> {
        let mut cost = Cost::default();
        for (answer, shoulder) in answers.into_iter().zip(self.shoulders) {
            match answer {
                AtRoot::AsAsked | AtRoot::Stays | AtRoot::LobeIntoEdge => {}
                AtRoot::DogBone => {
                    let area = self.notch(answer, shoulder);
                    self.seen.iter().for_each(|s| cost.add_seen(area, *s));
                }
                AtRoot::ByHand => cost.by_hand += 1,
            }
        }
        let lobes = answers.map(|a| self.centre(a));
        let step = 2.0 * self.radius / f64::from(LOSS_STEPS);
        let deepest = (0..=LOSS_STEPS).map(|i| {
            let at = f64::from(i) * step;
            lobes.iter().flatten().map(|c| self.taken(*c, at)).sum()
        });
        let deepest: f64 = deepest.fold(0.0, f64::max);
        cost.lost = 1.0 - ((self.width - deepest) / self.width).max(0.0).powi(2);
        (cost.lost <= self.most_loss || deepest <= 0.0).then_some(cost)
    }

    /// What of a lobe's disc lies beyond a shoulder, which is so wide, mm².
    fn notch(&self, answer: AtRoot, shoulder: f64) -> f64 {
        let [along, out] = self.centre(answer).unwrap_or_default();
        let disc =
            PolySet::from_contour(&Contour::circle(point(along, out), self.radius), KERNEL_MM);
        let beyond = Contour::rectangle(point(-1e3, -1e3), point(0.0, shoulder.min(1e3)), 0.0);
        disc.intersection(&PolySet::from_contour(&beyond, KERNEL_MM))
            .area()
    }

    /// Where the lobe of an answer has its centre: from the shoulder towards the tip, and out from the tenon's edge, mm.
    fn centre(&self, answer: AtRoot) -> Option<[f64; 2]> {
        let on_bisector = (self.radius - self.margin) * std::f64::consts::FRAC_1_SQRT_2;
        match answer {
            AtRoot::LobeIntoEdge => Some([self.radius, -self.margin]),
            AtRoot::DogBone => Some([on_bisector, on_bisector]),
            AtRoot::AsAsked | AtRoot::Stays | AtRoot::ByHand => None,
        }
    }

    /// How deep a lobe goes into the tenon so far from its shoulder, mm.
    fn taken(&self, [along, out]: [f64; 2], at: f64) -> f64 {
        let half = (self.radius.powi(2) - (at - along).powi(2)).max(0.0).sqrt();
        match half > 0.0 {
            true => (half - out).max(0.0),
            false => 0.0,
        }
    }
}

impl Mouth {
    /// The least costly answers for both ends, where the fillets at the tenon's root go in too.
    fn best(&self, fillets: bool) -> Option<(Cost, [AtEnd; 2])> {
        let end = |end: usize| {
            let open = AtEnd::ALL
                .iter()
                .filter(|a| !fillets || self.takes_fillets(**a));
            let costs = open.filter_map(|a| Some((self.cost(*a, end)?, *a)));
            costs.reduce(|a, b| match b.0.order(&a.0) {
                Ordering::Less => b,
                _ => a,
            })
        };
        let ((near, a), (far, b)) = (end(0)?, end(1)?);
        Some((near.with(far), [a, b]))
    }

    /// The fillets at the tenon's root go in too. Where the tenon's arrises clear the mortise's own fillets, the longer mortise is so by as
    /// much as they need.
    fn takes_fillets(&self, answer: AtEnd) -> bool {
        let cleared = self.mate_eased >= self.radius - SAME_MM;
        let enough = self.radius >= self.fillet - SAME_MM;
        answer == AtEnd::LongerForBoth || answer == AtEnd::Longer && cleared && enough
    }

    /// What an answer at an end costs; `None` where it does not let the tenon in, the part has no wood for it, or the shoulder hardly
    /// covers it.
    fn cost(&self, answer: AtEnd, end: usize) -> Option<Cost> {
        if answer == AtEnd::AsItIs && self.mate_eased < self.radius - SAME_MM {
            return None;
        }
        let reach = self.reach(answer);
        if reach > self.most_reach[end] + SAME_MM {
            return None;
        }
        let past = self.end_room + reach + COVER_MM;
        let covered = past <= self.shoulder[end] - self.mate_eased + SAME_MM;
        if reach > 0.0 && !covered && self.entry == Seen::Show {
            return None;
        }
        let mut cost = Cost::default();
        if answer == AtEnd::ByHand {
            cost.by_hand = 2;
        }
        let gap = GAP_MM.max(self.end_room);
        cost.add_seen(
            self.open_beyond(answer, self.shoulder[end] + gap),
            self.entry,
        );
        if let Some(exit) = self.exit {
            cost.add_seen(self.open_beyond(answer, gap), exit);
        }
        Some(cost)
    }

    /// How far an answer reaches past the end, mm.
    fn reach(&self, answer: AtEnd) -> f64 {
        match answer {
            AtEnd::Lobes => self.radius + self.margin,
            other => self.longer(other),
        }
    }
    /// How far the answers reach past the end, mm.
    pub(super) fn reaches(&self) -> [f64; 5] {
        AtEnd::ALL.map(|a| self.reach(a))
    }
    /// How much longer an answer makes the mortise at its end, mm.
    pub(super) fn longer(&self, answer: AtEnd) -> f64 {
        match answer {
            AtEnd::Longer => self.radius,
            AtEnd::LongerForBoth => self.radius + self.fillet,
            AtEnd::AsItIs | AtEnd::Lobes | AtEnd::ByHand => 0.0,
        }
    }

    /// What is open farther than this from the tenon's edge, mm².
    fn open_beyond(&self, answer: AtEnd, from: f64) -> f64 {
        let (r, half) = (self.radius, self.thick / 2.0);
        let far = self.end_room + self.longer(answer);
        if far + r + self.margin <= from {
            return 0.0;
        }
        let flat = |c: Contour| PolySet::from_contour(&c, KERNEL_MM);
        let squared = if answer == AtEnd::ByHand { 0.0 } else { r };
        let back = point(far - 3.0 * r, -half);
        let mut open = flat(Contour::rectangle(back, point(far, half), squared));
        if answer == AtEnd::Lobes {
            for y in [half - r, r - half] {
                let centre = point(far + self.margin, y);
                open = open.union(&flat(Contour::circle(centre, r)));
            }
        }
        let covered = Contour::rectangle(point(-1e3, -1e3), point(from, 1e3), 0.0);
        open.difference(&flat(covered)).area()
    }

    /// A box that goes on at one end.
    pub(super) fn grown(&self, b: Bounds, end: usize, by: f64) -> Bounds {
        let out = match self.along {
            true => point(by, 0.0),
            false => point(0.0, by),
        };
        match end {
            0 => Bounds {
                min: b.min - out,
                ..b
            },
            _ => Bounds {
                max: b.max + out,
                ..b
            },
        }
    }

    /// The corners at one end of a box.
    pub(super) fn corners(&self, b: Bounds, end: usize) -> [Point; 2] {
        let (low, high) = (b.min, b.max);
        match (self.along, end) {
            (true, 0) => [low, point(low.x, high.y)],
            (true, _) => [point(high.x, low.y), high],
            (false, 0) => [low, point(high.x, low.y)],
            (false, _) => [point(low.x, high.y), high],
        }
    }
}
