//! Engraved lines: the cutter's centre follows the line at its depth.

use crate::cutters;
use crate::feeds::{feeds, wood_of};
use grainway_pipeline::doc::{Cutter, CutterKind, FeatureKind, ZZero};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::geom::{Contour, Point, Segment};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::work::{Documents, Operation, SizedFeature, Variant, Work, Workingstep};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// Rapids come down to this much above the highest face, mm.
const CLEAR_MM: f64 = 2.0;
/// How densely lines are looked at for places outside the part, mm.
const LOOK_EVERY_MM: f64 = 0.5;
/// A mark whose cutter reaches beyond the edge by less than this is not told of, mm.
const OVERRUN_MM: f64 = 0.05;

/// Settings of the mark stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct MarkSettings {
    /// The cutter, by id, for engraved lines that ask for none; the smallest V-cutter, else the smallest other cutter that may go
    /// straight down, when left out.
    pub cutter: Option<String>,
    /// Ramp angle, degrees, for cutters that do not cut in their centre.
    pub ramp_angle: f64,
}

impl Default for MarkSettings {
    fn default() -> Self {
        MarkSettings {
            cutter: None,
            ramp_angle: 3.0,
        }
    }
}

/// The mark stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct Mark;

impl TypedStage for Mark {
    type Settings = MarkSettings;
    fn describe(&self) -> Description {
        Description {
            name: "mark",
            version: 1,
            summary: "Engraves drawn lines.",
            needs: &["variants"],
            gives: &["steps.engrave"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &Self::Settings, cx: &Cx<'_>) -> Result<(), Stop> {
        for i in 0..work.variants.len() {
            cx.check()?;
            let variant = &work.variants[i];
            let mut steps = Vec::new();
            let mut findings = Vec::new();
            let engraved = variant
                .features
                .iter()
                .filter(|f| f.kind == FeatureKind::Engraving);
            for feature in engraved {
                match engrave(&work.documents, variant, feature, settings) {
                    Ok((step, moves, notes)) => {
                        steps.push((step, moves));
                        findings.extend(notes);
                    }
                    Err(finding) => findings.push(cutters::about(finding, variant, feature)),
                }
            }
            work.variants[i]
                .steps
                .retain(|s| s.operation != Operation::Engrave);
            for (mut step, moves) in steps {
                step.moves = work.blobs.put_moves(&moves);
                work.variants[i].steps.push(step);
            }
            work.findings.extend(findings);
        }
        Ok(())
    }
}

/// The cutter for a line: the feature's, the setting's, or the finest that may go straight down.
fn chosen<'a>(
    documents: &'a Documents,
    feature: &SizedFeature,
    settings: &MarkSettings,
) -> Result<(&'a str, &'a Cutter), Finding> {
    let asked = feature
        .cutter
        .as_deref()
        .or(feature.cutter_wanted.as_deref())
        .or(settings.cutter.as_deref());
    if let Some(id) = asked {
        return cutters::named(documents, id);
    }
    documents
        .shop
        .cutters
        .iter()
        .filter(|(_, c)| c.kind != CutterKind::Drill)
        .min_by(|(ia, a), (ib, b)| {
            let rank = |c: &Cutter| (c.kind != CutterKind::VCutter, !c.centre_cutting);
            rank(a)
                .cmp(&rank(b))
                .then(a.diameter.mm().total_cmp(&b.diameter.mm()))
                .then(ia.cmp(ib))
        })
        .map(|(id, c)| (id.as_str(), c))
        .ok_or_else(|| {
            Finding::new(
                &code::CUTTER_UNFIT,
                "The shop has no cutter that can engrave a line.",
            )
        })
}

/// Half the width of the line that the cutter leaves `depth` mm below the face, mm.
fn half_width(cutter: &Cutter, depth: f64) -> f64 {
    let r = cutter.radius_mm();
    let d = depth.max(0.0);
    match (cutter.kind, cutter.angle) {
        (CutterKind::VCutter, Some(angle)) => (d * (0.5 * angle).to_radians().tan()).min(r),
        (CutterKind::BallNose, _) if d < r => (d * (2.0 * r - d)).sqrt(),
        _ => r,
    }
}

fn engrave(
    documents: &Documents,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &MarkSettings,
) -> Result<(Workingstep, Vec<Move>, Vec<Finding>), Finding> {
    let unknown = |what: String| Finding::new(&code::UNKNOWN_NAME, what);
    let (id, cutter) = chosen(documents, feature, settings)?;
    if cutter.kind == CutterKind::Drill {
        let message = format!("{id} ({}) cannot follow a line.", cutter.label());
        return Err(Finding::new(&code::CUTTER_UNFIT, message));
    }
    if let Some(why) = cutters::too_short(id, cutter, cutters::depth_of_cut(variant, feature)) {
        return Err(Finding::new(&code::CUTTER_TOO_SHORT, why));
    }
    let (_, machine) = documents
        .machine()
        .ok_or_else(|| unknown("The machine of the job is not known.".to_string()))?;
    let wood = wood_of(documents, &variant.stock)
        .ok_or_else(|| unknown(format!("The wood of stock {} is not known.", variant.stock)))?;
    let feeds = feeds(cutter, &wood, machine, Operation::Engrave);
    let mut notes: Vec<Finding> = feeds.finding(id, cutter, machine).into_iter().collect();
    notes.extend(overruns(variant, feature, cutter));
    notes.extend(misses(variant, feature));
    for note in &mut notes {
        *note = cutters::about(note.clone(), variant, feature);
    }
    let top = variant.z.highest_top();
    let floors = crate::entry::equal_passes(top, feature.floor, feeds.pass_depth);
    let line = Line {
        path: &feature.shape,
        clear_z: top + CLEAR_MM,
        feed: feeds.feed,
        plunge: feeds.plunge,
        slope: settings.ramp_angle.clamp(0.5, 30.0).to_radians().tan(),
        straight_down: cutter.centre_cutting,
    };
    let moves = line.moves(&floors);
    let step = Workingstep {
        feature: feature.key.clone(),
        operation: Operation::Engrave,
        cutter: id.to_string(),
        rpm: feeds.rpm,
        feed: feeds.feed,
        plunge: feeds.plunge,
        lowest: feature.floor.min(top),
        // Replaced when the moves are stored.
        moves: grainway_pipeline::work::BlobId(String::new()),
        profile: None,
        feed_reason: feeds.reason,
    };
    Ok((step, moves, notes))
}

/// The line's cutter reaches beyond the part's edge: marks the waste, or the next part.
fn overruns(variant: &Variant, feature: &SizedFeature, cutter: &Cutter) -> Option<Finding> {
    let half = half_width(cutter, variant.z.highest_top() - feature.floor);
    let mut worst: Option<(f64, Point)> = None;
    for s in feature.shape.segments() {
        let n = (s.length() / LOOK_EVERY_MM).ceil().max(1.0);
        for i in 0..=n as usize {
            let p = s.at(i as f64 / n);
            let edge = variant.outline.distance(p);
            let beyond = if variant.outline.contains(p) {
                half - edge
            } else {
                half + edge
            };
            if beyond > OVERRUN_MM && worst.is_none_or(|(w, _)| beyond > w) {
                worst = Some((beyond, p));
            }
        }
    }
    worst.map(|(by, at)| {
        let message = format!(
            "The engraved line runs {by:.2} mm over the part's edge at ({:.2}, {:.2}).",
            at.x, at.y
        );
        Finding::new(&code::ENGRAVING_OVERRUN, message).at(at)
    })
}

/// With zero on the bed a shallow line may miss thin wood altogether.
fn misses(variant: &Variant, feature: &SizedFeature) -> Option<Finding> {
    (variant.z.zero == ZZero::Bed && feature.floor >= variant.z.thinnest).then(|| {
        let message = format!(
            "The line's floor is {:.2} mm above the bed; the wood is as thin as {:.2} mm, so the cutter may pass over it.",
            feature.floor, variant.z.thinnest
        );
        Finding::new(&code::ENGRAVING_SHALLOW, message)
    })
}

/// A line to follow.
struct Line<'a> {
    path: &'a Contour,
    clear_z: f64,
    feed: f64,
    plunge: f64,
    slope: f64,
    straight_down: bool,
}

impl Line<'_> {
    /// Down, along, down, back (an open line) or round again (a closed one), up.
    fn moves(&self, floors: &[f64]) -> Vec<Move> {
        let there: Vec<Segment> = self.path.segments().filter(|s| s.length() > 0.0).collect();
        let back: Vec<Segment> = there.iter().rev().map(Segment::reversed).collect();
        let Some(first) = there.first().filter(|_| !floors.is_empty()) else {
            return Vec::new();
        };
        let mut moves = vec![
            Move::Rapid {
                to: first.start().at_z(SAFE_Z),
            },
            Move::Rapid {
                to: first.start().at_z(self.clear_z),
            },
        ];
        let (mut z, mut forward) = (self.clear_z, true);
        let mut at = first.start();
        for &floor in floors {
            if self.straight_down {
                moves.push(Move::Line {
                    to: at.at_z(floor),
                    feed: self.plunge,
                });
            } else {
                // To and fro along the line until the floor is reached; each run goes the whole line at the ramp's slope at most.
                let length = self.path.length();
                while z > floor + 1e-9 {
                    let next = (z - length * self.slope).max(floor);
                    let way = if self.path.closed || forward {
                        &there
                    } else {
                        &back
                    };
                    self.follow(&mut moves, way, z, next, self.plunge);
                    forward = self.path.closed || !forward;
                    z = next;
                }
            }
            z = floor;
            let way = if self.path.closed || forward {
                &there
            } else {
                &back
            };
            self.follow(&mut moves, way, z, z, self.feed);
            at = way.last().map_or(at, Segment::end);
            forward = self.path.closed || !forward;
        }
        moves.push(Move::Rapid {
            to: at.at_z(SAFE_Z),
        });
        moves
    }
    fn follow(&self, moves: &mut Vec<Move>, way: &[Segment], from: f64, to: f64, feed: f64) {
        let total = self.path.length();
        let mut done = 0.0;
        for s in way {
            let before = from + (to - from) * done / total;
            done += s.length();
            let after = from + (to - from) * (done / total).min(1.0);
            moves.push(match *s {
                Segment::Line { b, .. } => Move::Line {
                    to: b.at_z(after),
                    feed,
                },
                Segment::Arc { centre, sweep, .. } => Move::Arc {
                    centre,
                    sweep,
                    dz: after - before,
                    feed,
                },
            });
        }
    }
}
