//! What a schema cannot say of joints.

use super::At;
use crate::doc::{
    Body, CleatJoint, DowelRow, DowelsOf, FittedPart, FittingScrews, Haunch, HingeJoint,
    HingedPart, Joint, JointDoc, Length, MortiseAndTenon, MortiseOf, Plate, TenonOf,
};
use std::collections::BTreeSet;

pub(super) fn of_joints(at: &mut At<'_>, joints: &[JointDoc]) {
    let mut ids = BTreeSet::new();
    for (i, joint) in joints.iter().enumerate() {
        let mut at = at.below("joints");
        let mut at = at.below(i);
        at.below("id").id(&joint.id);
        if joint.id == "outline" {
            at.below("id")
                .say("A part's own edge is called outline; give the joint another id.");
        }
        if !ids.insert(&joint.id) {
            at.below("id")
                .say(format!("Two joints have the id \"{}\".", joint.id));
        }
        let mut at = at.below("joint");
        of_joint(&mut at.below(joint.joint.word()), &joint.joint);
    }
}

fn of_joint(at: &mut At<'_>, joint: &Joint) {
    let [(first, _), (second, keys)] = joint.parts();
    let may_cross = matches!(
        joint,
        Joint::Halving(_) | Joint::EdgeHalving(_) | Joint::LooseTenon(_) | Joint::Dowels(_)
    );
    if first == second && !may_cross {
        at.below(keys[1])
            .below("part")
            .say(format!("The part {first} cannot go into itself."));
    }
    match joint {
        Joint::MortiseAndTenon(j) => tenoned(at, j),
        Joint::Housing(j) => {
            let mut at = at.below("housing");
            flat(&mut at, j.housing.side.is_flat());
            at.place("at", j.housing.at);
            at.size("depth", j.housing.depth);
            at.maybe_place("from", j.housing.from);
            at.maybe_place("to", j.housing.to);
        }
        Joint::Rebate(j) => {
            let mut at = at.below("rebate");
            flat(&mut at, j.rebate.side.is_flat());
            one(&mut at, j.rebate.end.is_some(), j.rebate.edge.is_some());
            at.size("depth", j.rebate.depth);
        }
        Joint::Halving(j) => {
            at.maybe_size("depth", j.depth);
            for (key, half) in [("first", &j.first), ("second", &j.second)] {
                let mut at = at.below(key);
                at.maybe_place("at", half.at);
                if half.at.is_some() == half.end.is_some() {
                    at.say("Say where the other part crosses (`at`) or which `end` meets it, one of the two.");
                }
            }
        }
        Joint::EdgeHalving(j) => {
            for (key, slot) in [("first", &j.first), ("second", &j.second)] {
                let mut at = at.below(key);
                at.place("at", slot.at);
                at.maybe_size("depth", slot.depth);
            }
        }
        Joint::LooseTenon(j) => {
            {
                let mut at = at.below("tenon");
                at.size("width", j.tenon.width);
                at.size("length", j.tenon.length);
            }
            mortise(&mut at.below("first"), &j.first);
            mortise(&mut at.below("second"), &j.second);
        }
        Joint::Dowels(j) => {
            at.size("diameter", j.diameter);
            at.size("length", j.length);
            dowels(&mut at.below("first"), &j.first);
            dowels(&mut at.below("second"), &j.second);
            let (first, second) = (j.first.count(), j.second.count());
            if first != second {
                at.below("second").say(format!(
                    "The one part has {first} dowels, the other {second}."
                ));
            }
        }
        Joint::Hinge(j) => hinge(at, j),
        Joint::Lock(j) => {
            at.not_negative("gap", j.gap);
            fitted(&mut at.below("lock"), &j.lock);
            fitted(&mut at.below("keep"), &j.keep);
        }
        Joint::Cleat(j) => cleat(at, j),
    }
}

fn tenoned(at: &mut At<'_>, j: &MortiseAndTenon) {
    tenon(&mut at.below("tenon"), &j.tenon);
    let mut at = at.below("mortise");
    mortise(&mut at, &j.mortise);
    if j.mortise.feature.is_some() && (j.tenon.count > 1 || j.tenon.haunch.is_some()) {
        at.below("feature").say(
            "A mortise that the part has already takes one tenon without a haunch; give `at` and `lies`.",
        );
    }
}

fn flat(at: &mut At<'_>, flat: bool) {
    if !flat {
        at.below("side").say("It is cut from the face or the back.");
    }
}

fn one(at: &mut At<'_>, end: bool, edge: bool) {
    if end == edge {
        at.say("Say which `end` or which `edge`, one of the two.");
    }
}

fn tenon(at: &mut At<'_>, of: &TenonOf) {
    at.size("length", of.length);
    at.size("width", of.width);
    if let Some(offset) = of.offset {
        at.not_negative("offset", offset);
    }
    if of.count == 0 || of.count > TenonOf::MOST {
        at.below("count").number(format!(
            "{} should be between 1 and {}.",
            of.count,
            TenonOf::MOST
        ));
    }
    at.maybe_size("gap", of.gap);
    if of.gap.is_some() != (of.count > 1) {
        at.below("gap")
            .say("Say the `gap` between tenons where their `count` is more than 1.");
    }
    at.maybe_size("thickness", of.thickness);
    at.maybe_size("back-shoulder", of.back_shoulder);
    if of.back_shoulder.is_some() && of.thickness.is_none() {
        at.below("back-shoulder")
            .say("Say the `thickness` of a tenon that has a shoulder on the back.");
    }
    if let Some(haunch) = &of.haunch {
        of_haunch(&mut at.below("haunch"), haunch, of.length);
        if of.count > 1 {
            at.below("haunch").say("Only a single tenon has a haunch.");
        }
    }
}

pub(super) fn of_haunch(at: &mut At<'_>, haunch: &Haunch, tenon: Length) {
    at.size("width", haunch.width);
    at.size("length", haunch.length);
    if haunch.length >= tenon && tenon.mm() > 0.0 {
        at.below("length").number(format!(
            "The haunch, {} mm, is no shorter than its tenon, {} mm.",
            haunch.length.mm(),
            tenon.mm()
        ));
    }
}

fn mortise(at: &mut At<'_>, of: &MortiseOf) {
    if let Some(place) = &of.at {
        at.places("at", place);
    }
    let made = of.at.is_some() && of.lies.is_some() && of.feature.is_none();
    let named = of.at.is_none() && of.lies.is_none() && of.feature.is_some();
    if !made && !named {
        at.say("Give `at` and `lies` for a mortise that the joint makes, or `feature` for one that the part has.");
    }
}

fn dowels(at: &mut At<'_>, of: &DowelsOf) {
    let places: &[[Length; 2]] = &of.at;
    if places.is_empty() == of.row.is_none() {
        at.say("Say where the dowels are: their places (`at`) or their `row`, one of the two.");
    }
    if let Some(row) = &of.row {
        let mut at = at.below("row");
        if row.count == 0 || row.count > DowelRow::MOST {
            at.below("count").number(format!(
                "{} should be between 1 and {}.",
                row.count,
                DowelRow::MOST
            ));
        }
        at.size("spacing", row.spacing);
        match &row.middle {
            Some(middle) => at.places("middle", middle),
            None if !of.side.is_end() => {
                at.say("Say the `middle` of the row; only on an end it may be left out.")
            }
            None => {}
        }
    }
    let mut below = at.below("at");
    for (i, place) in places.iter().enumerate() {
        below.places(&i.to_string(), place);
    }
    at.maybe_size("depth", of.depth);
}

fn hinge(at: &mut At<'_>, j: &HingeJoint) {
    let leaf = &j.leaf;
    {
        let mut at = at.below("leaf");
        at.size("length", leaf.length);
        at.size("width", leaf.width);
        at.size("thickness", leaf.thickness);
        at.size("knuckle", leaf.knuckle);
        at.maybe_size("closed", leaf.closed);
        at.not_negative("corner", leaf.corner);
        if let Some(out) = leaf.stands_out {
            at.not_negative("stands-out", out);
        }
        let (closed, thick) = (leaf.closed_mm(), leaf.thickness.mm());
        if closed < 2.0 * thick {
            at.below("thickness").number(format!(
                "Two leaves of {thick} mm are thicker than the closed hinge, {closed} mm."
            ));
        }
        let (width, out) = (leaf.width.mm(), leaf.stands_out_mm());
        if out >= width && width > 0.0 {
            at.below("width").number(format!(
                "The leaf is {width} mm wide from the pin's axis, which stands {out} mm before the wood: nothing of it lies on the wood."
            ));
        }
        if let Some(screws) = &leaf.screws {
            let on_leaf = |[along, across]: [f64; 2]| {
                along.abs() < leaf.length.mm() / 2.0 && across > out && across < width
            };
            of_screws(&mut at.below("screws"), screws, on_leaf);
        }
    }
    if let Some(gap) = j.gap {
        at.not_negative("gap", gap);
        let closed = leaf.closed_mm();
        if gap.mm() >= closed && gap.mm() >= 0.0 {
            at.below("gap").number(format!(
                "The closed hinge is {closed} mm thick; with a gap of {} mm nothing of it is let in. Lessen the gap.",
                gap.mm()
            ));
        }
    }
    for (key, of) in [("first", &j.first), ("second", &j.second)] {
        hinged(&mut at.below(key), of);
    }
}

fn hinged(at: &mut At<'_>, of: &HingedPart) {
    at.place("at", of.at);
    if of.is_low().is_none() {
        at.below("knuckle").say(match of.side.is_flat() {
            true => "The knuckle of a hinge on the face or the back stands before the edge `near` or `far`.",
            false => "The knuckle of a hinge on an edge or an end stands before the `face` or the `back`.",
        });
    }
}

fn cleat(at: &mut At<'_>, j: &CleatJoint) {
    {
        let mut at = at.below("cleat");
        flat(&mut at, j.cleat.side.is_flat());
        at.place("fixed", j.cleat.fixed);
        if let Some(travel) = j.cleat.travel {
            at.not_negative("travel", travel);
        }
        let mut at = at.below("slots");
        if j.cleat.slots.is_empty() {
            at.say("Say where the slots are.");
        }
        for (i, x) in j.cleat.slots.iter().enumerate() {
            at.place(&i.to_string(), *x);
        }
    }
    {
        let mut at = at.below("onto");
        flat(&mut at, j.onto.side.is_flat());
        at.places("at", &j.onto.at);
    }
    let mut at = at.below("screws");
    let screws = &j.screws;
    at.size("clearance", screws.clearance);
    at.size("head", screws.head);
    at.size("sunk", screws.sunk);
    at.size("pilot", screws.pilot);
    at.size("pilot-depth", screws.pilot_depth);
    for (key, least, larger) in [
        ("head", screws.clearance, screws.head),
        ("clearance", screws.pilot, screws.clearance),
    ] {
        if larger <= least {
            at.below(key).number(format!(
                "{} mm should be more than {} mm: a pilot is narrower than the hole for the shank, and that is narrower than the head.",
                larger.mm(),
                least.mm()
            ));
        }
    }
}

fn fitted(at: &mut At<'_>, of: &FittedPart) {
    at.places("at", &of.at);
    let Plate {
        length,
        width,
        thickness,
        corner,
    } = &of.plate;
    {
        let mut at = at.below("plate");
        at.size("length", *length);
        at.size("width", *width);
        at.size("thickness", *thickness);
        at.not_negative("corner", *corner);
    }
    if let Some(Body {
        length: long,
        width: wide,
        depth,
        offset,
    }) = &of.body
    {
        let mut at = at.below("body");
        at.size("length", *long);
        at.size("width", *wide);
        at.size("depth", *depth);
        at.place("offset", *offset);
        if depth <= thickness {
            at.below("depth").number(format!(
                "{} mm is no deeper than the plate, {} mm.",
                depth.mm(),
                thickness.mm()
            ));
        }
        if offset.mm().abs() + long.mm() / 2.0 > length.mm() / 2.0 || wide > width {
            at.say("What stands behind a plate is no longer and no wider than the plate.");
        }
    }
    if let Some(screws) = &of.screws {
        let on_plate = |[along, across]: [f64; 2]| {
            along.abs() < length.mm() / 2.0 && across.abs() < width.mm() / 2.0
        };
        of_screws(&mut at.below("screws"), screws, on_plate);
    }
}

fn of_screws(at: &mut At<'_>, screws: &FittingScrews, lies_on: impl Fn([f64; 2]) -> bool) {
    at.size("pilot", screws.pilot);
    at.size("depth", screws.depth);
    let mut at = at.below("at");
    if screws.at.is_empty() {
        at.say("Say where the screws are.");
    }
    for (i, place) in screws.at.iter().enumerate() {
        at.places(&i.to_string(), place);
        if !lies_on(place.map(|l| l.mm())) {
            at.below(i)
                .number("The screw does not lie on the hardware.");
        }
    }
}
