//! Puts the pieces of a job together as its joints say: which copy mates with which, where each comes to stand, and in which order they
//! can be brought together.
//!
//! The pieces of one set are put together, which stand for those of every set: no piece goes into the furniture of another set.
//! It is read from the documents alone. That every single joint closes is the business of [`super::assembly`].

mod contacts;
mod order;
mod poses;

use super::Wanted;
use super::figures::mm;
use super::wanted::asked;
use contacts::Contact;
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::work::{Closing, Documents, Furniture, Part, Pose, Stood};
use order::{Bond, Box3, InTheWay};
use poses::{Arrangement, Joined};
use std::collections::{BTreeMap, BTreeSet};

/// Everything that joints hold together, alike ones once.
pub(super) fn furniture(wanted: &Wanted, documents: &Documents) -> (Vec<Furniture>, Vec<Finding>) {
    if documents.job.joints.is_empty() {
        return (Vec::new(), Vec::new());
    }
    let parts = &wanted.parts;
    let contacts: Vec<Vec<Contact>> = parts
        .iter()
        .map(|p| contacts::of(p, wanted, documents))
        .collect();
    let copies = |(i, p): (usize, &Part)| {
        let contacts = &contacts[i];
        let (only, sets) = asked(documents, &p.id);
        // What is made again, a part or two, goes into furniture that stands already.
        let each = match only.is_empty() {
            true => p.count / sets.max(1),
            false => 0,
        };
        let size = contacts::size(p, documents).unwrap_or_default();
        (0..each).map(move |_| Joined {
            part: i,
            size,
            contacts,
        })
    };
    let pieces: Vec<Joined<'_>> = parts.iter().enumerate().flat_map(copies).collect();
    let mut free: Vec<usize> = (0..pieces.len())
        .filter(|p| !pieces[*p].contacts.is_empty())
        .collect();
    let area = |p: usize| parts[pieces[p].part].outline.area().abs();
    // The largest lies as it is described: a top, a seat or a side.
    free.sort_by(|a, b| area(*b).total_cmp(&area(*a)).then(a.cmp(b)));
    let mut all: Vec<Furniture> = Vec::new();
    let mut apart = Apart::default();
    let mut findings = Vec::new();
    while let Some(first) = free.first().copied() {
        let arrangement = poses::arrange(&pieces, first, &free);
        free.retain(|p| !arrangement.placed.iter().any(|(q, _)| q == p));
        apart.add(&arrangement, &pieces);
        if arrangement.placed.len() < 2 {
            continue;
        }
        let (one, locked) = stood(&arrangement, &pieces, parts, documents);
        let turned = match arrangement.open.is_empty() {
            true => upside_down(&arrangement, &pieces, parts),
            false => None,
        };
        let same = |f: &&mut Furniture| f.pieces == one.pieces && f.steps == one.steps;
        match all.iter_mut().find(same) {
            Some(same) => same.count += one.count,
            None => {
                findings.extend(locked);
                findings.extend(turned);
                all.push(one);
            }
        }
    }
    findings.extend(apart.findings(parts, documents));
    (all, findings)
}

fn stood(
    arrangement: &Arrangement,
    pieces: &[Joined<'_>],
    parts: &[Part],
    documents: &Documents,
) -> (Furniture, Vec<Finding>) {
    let mut numbers: BTreeMap<usize, u32> = BTreeMap::new();
    let stand = arrangement.placed.iter().map(|(p, pose)| {
        let part = pieces[*p].part;
        let number = numbers.entry(part).or_default();
        *number += 1;
        Stood {
            part: parts[part].id.clone(),
            number: *number,
            pose: *pose,
        }
    });
    let stand: Vec<Stood> = stand.collect();
    let (_, sets) = asked(documents, stand.first().map_or("", |s| s.part.as_str()));
    let index = |piece: usize| arrangement.placed.iter().position(|(p, _)| *p == piece);
    let bonds: Vec<Bond> = arrangement
        .pairs
        .iter()
        .filter_map(|[(into, c), (goes, _)]| {
            let contact = &pieces[*into].contacts[*c];
            let into = index(*into)?;
            let [against, along] = contact.slides;
            let ways = [
                Some(contact.out),
                against.then(|| contacts::minus(contact.width)),
                along.then_some(contact.width),
            ];
            let pose = stand[into].pose;
            Some(Bond {
                into,
                goes: index(*goes)?,
                ways: ways
                    .into_iter()
                    .flatten()
                    .map(|w| pose.direction(w))
                    .collect(),
                joint: documents.job.joints[contact.joint].id.clone(),
            })
        })
        .collect();
    let everything = (0..stand.len()).collect();
    let placed = arrangement.placed.iter();
    let boxes: Vec<Box3> = placed
        .map(|(p, pose)| poses::span(pieces[*p].size, *pose))
        .collect();
    let (steps, told) = in_order(&stand, order::steps(&everything, &bonds, &boxes));
    let one = Furniture {
        pieces: stand,
        steps,
        count: sets,
    };
    (one, told)
}

/// The steps in which pieces are put together, and what is told of them.
fn in_order(
    stand: &[Stood],
    found: Result<(Vec<Closing>, Vec<InTheWay>), BTreeSet<usize>>,
) -> (Vec<Closing>, Vec<Finding>) {
    let named = |i: &usize| format!("{} {}", stand[*i].part, stand[*i].number);
    match found {
        Ok((steps, in_the_way)) => {
            let told = in_the_way.iter().map(|w| {
                let message = format!(
                    "Put together in the order shown, {} has to come past {}, which stands {} mm before it; its joint needs {} mm. No better order was found.",
                    named(&w.moved),
                    named(&w.other),
                    mm(w.apart.max(0.0)),
                    mm(w.travel)
                );
                Finding::new(&code::JOINTS_BLOCKED, message).part(&stand[w.moved].part)
            });
            (steps, told.collect())
        }
        Err(locked) => {
            let names: Vec<String> = locked.iter().map(named).collect();
            let message = format!(
                "{} hold each other: none of them can go into the others last.",
                list(&names)
            );
            (
                Vec::new(),
                vec![Finding::new(&code::JOINTS_LOCKED, message)],
            )
        }
    }
}

/// Two of one part, or of its two hands, that stand opposite ways up, one of them sticking out: the sign of a leg whose mortises are not
/// mirrored. Rails that go round a frame stick out less than they are wide; what takes no mate, as a rail, may point either way.
fn upside_down(
    arrangement: &Arrangement,
    pieces: &[Joined<'_>],
    parts: &[Part],
) -> Option<Finding> {
    let base = |p: usize| {
        let id = parts[pieces[p].part].id.as_str();
        id.strip_suffix(Part::MIRRORED).unwrap_or(id)
    };
    let placed = &arrangement.placed;
    let pairs = placed.iter().enumerate();
    let mut pairs = pairs.flat_map(|(i, a)| placed[i + 1..].iter().map(move |b| (a, b)));
    pairs.find_map(|((p, a), (q, b))| {
        let size = pieces[*p].size;
        let way = a.axes[0];
        let takes = pieces[*p].contacts.iter().any(|c| c.takes);
        if !takes || base(*p) != base(*q) || poses::dot(way, b.axes[0]) > -poses::SAME_WAY {
            return None;
        }
        // Both ends of the one, along the other's length.
        let from = |pose: &Pose, x: f64| poses::dot(pose.place([x, 0.0, 0.0]), way);
        let beside = (from(a, 0.0) - from(b, size[0])).abs();
        (beside > size[1]).then(|| {
            let message = format!(
                "Put together as the joints say, two of {} stand opposite ways up, one of them {} mm beyond the other.",
                base(*p),
                mm(beside)
            );
            Finding::new(&code::JOINTS_APART, message).part(base(*p))
        })
    })
}

/// Names in a sentence.
fn list(names: &[String]) -> String {
    match names {
        [] => String::new(),
        [one] => one.clone(),
        [most @ .., last] => format!("{} and {last}", most.join(", ")),
    }
}

/// Contacts that found no mate, by joint and part.
#[derive(Default)]
struct Apart(BTreeMap<(usize, usize), usize>);

impl Apart {
    fn add(&mut self, arrangement: &Arrangement, pieces: &[Joined<'_>]) {
        for (piece, contact) in &arrangement.open {
            let joined = &pieces[*piece];
            let key = (joined.contacts[*contact].joint, joined.part);
            *self.0.entry(key).or_default() += 1;
        }
    }
    fn findings(self, parts: &[Part], documents: &Documents) -> Vec<Finding> {
        let told = self.0.into_iter().map(|((joint, part), count)| {
            let joint = &documents.job.joints[joint];
            let ids = joint.joint.parts().map(|p| p.0);
            let own = &parts[part].id;
            let base = own.strip_suffix(Part::MIRRORED).unwrap_or(own);
            let mate = if base == ids[0] { ids[1] } else { ids[0] };
            let times = match count {
                1 => "a place".to_string(),
                n => format!("{n} places"),
            };
            let message = format!(
                "Put together as the joints say, {times} of {own} in the joint {} find{} no {mate}.",
                joint.id,
                if count == 1 { "s" } else { "" }
            );
            Finding::new(&code::JOINTS_APART, message).part(own)
        });
        told.collect()
    }
}
