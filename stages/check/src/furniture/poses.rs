//! Where the pieces come to stand: mates are tried until every contact has one.

use super::contacts::{Contact, Place, minus};
use grainway_pipeline::work::Pose;

/// Two contacts lie on each other within this, mm: drawings are rounded.
const SAME_PLACE_MM: f64 = 1.0;
/// And look the same way within this cosine.
pub(super) const SAME_WAY: f64 = 0.999;
/// So many arrangements are tried in which every contact finds a mate; where none of them works, the most likely one stands.
const MOST_TRIED: usize = 10_000;

/// A piece that joints hold.
pub(super) struct Joined<'a> {
    /// The number of its part.
    pub(super) part: usize,
    /// Length, width and thickness, mm.
    pub(super) size: Place,
    pub(super) contacts: &'a [Contact],
}

/// Two contacts that close: piece and contact of the one that takes, then of the one that goes in.
pub(super) type Pair = [(usize, usize); 2];

/// Pieces that stand together.
#[derive(Clone, Default)]
pub(super) struct Arrangement {
    /// In the order in which they were placed.
    pub(super) placed: Vec<(usize, Pose)>,
    pub(super) pairs: Vec<Pair>,
    /// Contacts that found no mate although they were made for one.
    pub(super) open: Vec<(usize, usize)>,
}

pub(super) fn dot(a: Place, b: Place) -> f64 {
    (0..3).map(|i| a[i] * b[i]).sum()
}

fn cross(a: Place, b: Place) -> Place {
    [
        a[1] * b[2] - a[2] * b[1],
        a[2] * b[0] - a[0] * b[2],
        a[0] * b[1] - a[1] * b[0],
    ]
}

/// The pose in which a piece's contact closes with another that stands already. `turned`: the other way round.
fn closing(own: &Contact, mate: &Contact, stands: Pose, turned: bool) -> Pose {
    let frame = |out: Place, width: Place| [out, width, cross(out, width)];
    let from = frame(own.out, own.width);
    let width = stands.direction(mate.width);
    let width = if turned { minus(width) } else { width };
    let to = frame(minus(stands.direction(mate.out)), width);
    // Columns: where the piece's own axes go.
    let axes = std::array::from_fn(|k| {
        std::array::from_fn(|i| (0..3).map(|f| to[f][i] * from[f][k]).sum())
    });
    let pose = Pose { axes, at: [0.0; 3] };
    let (here, there) = (pose.place(own.at), stands.place(mate.at));
    pose.moved(std::array::from_fn(|i| there[i] - here[i]))
}

/// From where to where a piece of this size reaches along each axis.
pub(super) fn span(size: Place, pose: Pose) -> [[f64; 2]; 3] {
    let sides: [Place; 3] = std::array::from_fn(|k| pose.axes[k].map(|v| v * size[k]));
    std::array::from_fn(|i| {
        let low: f64 = sides.iter().map(|s| s[i].min(0.0)).sum();
        let high: f64 = sides.iter().map(|s| s[i].max(0.0)).sum();
        [pose.at[i] + low, pose.at[i] + high]
    })
}

fn closed(a: &Contact, p: Pose, b: &Contact, q: Pose) -> bool {
    let (here, there) = (p.place(a.at), q.place(b.at));
    let width = dot(p.direction(a.width), q.direction(b.width));
    let width = if a.exact { width } else { width.abs() };
    (0..3).all(|i| (here[i] - there[i]).abs() <= SAME_PLACE_MM)
        && dot(p.direction(a.out), q.direction(b.out)) < -SAME_WAY
        && width > SAME_WAY
}

fn mates(a: &Contact, b: &Contact) -> bool {
    a.family == b.family && a.takes != b.takes
}

/// Places the pieces that hang together with the first of those that are free.
pub(super) fn arrange(pieces: &[Joined<'_>], first: usize, free: &[usize]) -> Arrangement {
    let start = Arrangement {
        placed: vec![(first, Pose::OWN)],
        ..Arrangement::default()
    };
    let free: Vec<usize> = free.iter().copied().filter(|p| *p != first).collect();
    let mut search = Search { pieces, tried: 0 };
    search
        .whole(start.clone(), &free)
        .unwrap_or_else(|| search.likely(start, free))
}

struct Search<'a> {
    pieces: &'a [Joined<'a>],
    tried: usize,
}

impl Search<'_> {
    /// Goes on until every contact has a mate; `None` where that cannot be, or takes too many trials.
    fn whole(&mut self, now: Arrangement, free: &[usize]) -> Option<Arrangement> {
        self.tried += 1;
        let Some(open) = self.next_open(&now) else {
            return Some(now);
        };
        for (other, pose) in self.candidates(&now, open, free) {
            if self.tried >= MOST_TRIED {
                break;
            }
            let with = self.with(&now, other, pose);
            let rest: Vec<usize> = free.iter().copied().filter(|p| *p != other).collect();
            if let Some(whole) = self.whole(with, &rest) {
                return Some(whole);
            }
        }
        None
    }

    /// Takes what closes most at each step, and leaves open what finds no mate.
    fn likely(&self, mut now: Arrangement, mut free: Vec<usize>) -> Arrangement {
        while let Some(open) = self.next_open(&now) {
            match self.candidates(&now, open, &free).first() {
                Some((other, pose)) => {
                    now = self.with(&now, *other, *pose);
                    free.retain(|p| p != other);
                }
                None => now.open.push(open),
            }
        }
        now
    }

    /// The next contact that wants a mate.
    fn next_open(&self, now: &Arrangement) -> Option<(usize, usize)> {
        now.placed.iter().find_map(|(p, _)| {
            let contacts = self.pieces[*p].contacts;
            let open = |c: &usize| contacts[*c].must && now.is_free((*p, *c));
            (0..contacts.len()).find(open).map(|c| (*p, c))
        })
    }

    /// Free pieces that may close a contact, each in a pose: those first that close most, then those that stand closest to the others, so
    /// that legs stand the same way up, then those that stand on their left ends. Copies are equal: the first is tried.
    fn candidates(
        &self,
        now: &Arrangement,
        (piece, contact): (usize, usize),
        free: &[usize],
    ) -> Vec<(usize, Pose)> {
        let Some(stands) = now.pose(piece) else {
            return Vec::new();
        };
        let mate = &self.pieces[piece].contacts[contact];
        let mut parts: Vec<usize> = Vec::new();
        let mut all: Vec<(usize, i64, bool, usize, Pose)> = Vec::new();
        for other in free {
            let joined = &self.pieces[*other];
            if parts.contains(&joined.part) {
                continue;
            }
            parts.push(joined.part);
            for own in joined.contacts.iter().filter(|c| mates(c, mate)) {
                let ways = if own.exact { 1 } else { 2 };
                for turned in [false, true].into_iter().take(ways) {
                    let pose = closing(own, mate, stands, turned);
                    let closes = self.closes(now, *other, pose).len();
                    let extent = self.extent(now, *other, pose);
                    let on_right_end = pose.axes[0][2] < -SAME_WAY;
                    all.push((closes, extent, on_right_end, *other, pose));
                }
            }
        }
        all.sort_by_key(|(closes, extent, on_right_end, ..)| {
            (std::cmp::Reverse(*closes), *extent, *on_right_end)
        });
        all.into_iter().map(|(.., p, pose)| (p, pose)).collect()
    }

    /// Length, width and height together of everything that stands, with one piece more, in tenths of a millimetre.
    fn extent(&self, now: &Arrangement, piece: usize, pose: Pose) -> i64 {
        let all = now.placed.iter().copied().chain([(piece, pose)]);
        let spans: Vec<[[f64; 2]; 3]> = all
            .map(|(p, pose)| span(self.pieces[p].size, pose))
            .collect();
        let along = |i: usize| {
            let least = spans.iter().map(|s| s[i][0]).fold(f64::INFINITY, f64::min);
            let most = spans.iter().map(|s| s[i][1]);
            most.fold(f64::NEG_INFINITY, f64::max) - least
        };
        (10.0 * (0..3).map(along).sum::<f64>()).round() as i64
    }

    /// What a piece closes in a pose.
    fn closes(&self, now: &Arrangement, piece: usize, pose: Pose) -> Vec<Pair> {
        let mut pairs: Vec<Pair> = Vec::new();
        for (c, own) in self.pieces[piece].contacts.iter().enumerate() {
            let there = now.placed.iter().find_map(|(other, stands)| {
                let contacts = self.pieces[*other].contacts.iter().enumerate();
                let mut fitting = contacts.filter(|(k, mate)| {
                    mates(own, mate)
                        && now.is_free((*other, *k))
                        && !pairs.iter().flatten().any(|used| *used == (*other, *k))
                        && closed(own, pose, mate, *stands)
                });
                fitting.next().map(|(k, _)| (*other, k))
            });
            if let Some(there) = there {
                pairs.push(match own.takes {
                    true => [(piece, c), there],
                    false => [there, (piece, c)],
                });
            }
        }
        pairs
    }

    fn with(&self, now: &Arrangement, piece: usize, pose: Pose) -> Arrangement {
        let mut with = now.clone();
        with.pairs.extend(self.closes(now, piece, pose));
        with.placed.push((piece, pose));
        with
    }
}

impl Arrangement {
    fn pose(&self, piece: usize) -> Option<Pose> {
        let found = self.placed.iter().find(|(p, _)| *p == piece);
        found.map(|(_, pose)| *pose)
    }
    fn is_free(&self, contact: (usize, usize)) -> bool {
        !self.open.contains(&contact) && !self.pairs.iter().flatten().any(|c| *c == contact)
    }
}
