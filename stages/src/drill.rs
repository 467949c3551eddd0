//! Drills holes with a drill of their diameter, or mills them where none fits.

use crate::cutters::{about, candidates, named};
use crate::entry::{Way, approach, equal_passes, helix, retract};
use crate::feeds::{Feeds, feed_on_arc, feeds, wood_of};
use grainway_pipeline::doc::{
    Cutter, CutterKind, FeatureKind, Flutes, IfUnreachable, Length, Machine, WoodFigures,
};
use grainway_pipeline::finding::{Finding, code};
use grainway_pipeline::geom::{Point, point};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::stage::{Cx, Description, Stop, TypedStage};
use grainway_pipeline::tolerance::SLOT_MATCH_MM;
use grainway_pipeline::work::{
    Documents, HandWork, Operation, SizedFeature, Variant, Work, Workingstep,
};
use rayon::prelude::*;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::f64::consts::TAU;

/// Settings of the drill stage.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct DrillSettings {
    /// A drill fits a hole when their diameters differ by at most this (length).
    pub match_within: Length,
    /// Depth of one peck in drill diameters; the drill is lifted out after each to clear its chips.
    pub peck: f64,
    /// Holes no deeper than this many drill diameters are drilled in one go.
    pub no_peck_up_to: f64,
    /// How far above the wood the drill slows down and pecks are lifted to (length).
    pub clearance: Length,
    /// Steepest helix of a milled hole against the face, degrees.
    pub ramp: f64,
    /// Width of a ring that a milled hole is widened by, as a share of the cutter's diameter.
    pub stepover: f64,
    /// What must be left of the spoilboard under a drill's point (length).
    pub spoilboard_left: Length,
}

impl Default for DrillSettings {
    fn default() -> Self {
        // Common practice, no source.
        DrillSettings {
            match_within: Length::from_mm(0.05),
            peck: 1.5,
            no_peck_up_to: 2.0,
            clearance: Length::from_mm(2.0),
            ramp: 3.0,
            stepover: 0.4,
            spoilboard_left: Length::from_mm(3.0),
        }
    }
}

/// Of a cutter's diameter: the helix that a wide hole starts with leaves no core when its path is narrower than the cutter.
const ENTRY_PATH: f64 = 0.45;
/// The usual point of a twist drill, degrees. Common practice, no source.
const POINT_ANGLE_DEG: f64 = 118.0;

/// The drill stage.
#[derive(Clone, Copy, Debug, Default)]
pub struct DrillStage;

/// What came of one hole.
enum Outcome {
    Step(Box<Workingstep>, Vec<Move>, Vec<Finding>),
    ByHand(String),
    Failed(Vec<Finding>),
}

impl TypedStage for DrillStage {
    type Settings = DrillSettings;
    fn describe(&self) -> Description {
        Description {
            name: "drill",
            version: 1,
            summary: "Drills holes, or mills them where no drill fits.",
            needs: &["corners"],
            gives: &["steps.drill"],
            spoils: &["held", "ordered", "programs", "verified", "reported"],
        }
    }
    fn run(&self, work: &mut Work, settings: &DrillSettings, cx: &Cx<'_>) -> Result<(), Stop> {
        cx.check()?;
        let documents = &work.documents;
        let Some((_, machine)) = documents.machine() else {
            return Ok(());
        };
        let outcomes: Vec<Vec<(usize, Outcome)>> = work
            .variants
            .par_iter()
            .map(|variant| {
                let holes = variant
                    .features
                    .iter()
                    .enumerate()
                    .filter(|(_, f)| f.kind == FeatureKind::Hole);
                holes
                    .map(|(i, f)| (i, hole(documents, machine, variant, f, settings)))
                    .collect()
            })
            .collect();
        for (v, outcomes) in outcomes.into_iter().enumerate() {
            for (f, outcome) in outcomes {
                match outcome {
                    Outcome::Step(step, moves, findings) => {
                        let step = Workingstep {
                            moves: work.blobs.put_moves(&moves),
                            ..*step
                        };
                        work.variants[v].features[f].cutter = Some(step.cutter.clone());
                        work.variants[v].steps.push(step);
                        work.findings.extend(findings);
                    }
                    Outcome::ByHand(why) => {
                        let variant = &work.variants[v];
                        let feature = &variant.features[f];
                        let (at, diameter) = feature.circle.unwrap_or_default();
                        let count = work.part(&variant.part).map_or(1, |p| p.count);
                        let deep = if feature.through {
                            "through".to_string()
                        } else {
                            format!("{:.1} mm deep", variant.z.depth_of(feature.floor))
                        };
                        let row = HandWork {
                            part: variant.part.clone(),
                            count,
                            feature: Some(feature.key.clone()),
                            at: Some(at),
                            what: format!("drill a hole of {diameter:.2} mm, {deep}"),
                            why,
                        };
                        work.hand_work.push(row);
                    }
                    Outcome::Failed(findings) => work.findings.extend(findings),
                }
            }
        }
        Ok(())
    }
}

/// One hole: drilled, milled, left to hands, or refused.
fn hole(
    documents: &Documents,
    machine: &Machine,
    variant: &Variant,
    feature: &SizedFeature,
    settings: &DrillSettings,
) -> Outcome {
    let Some((at, diameter)) = feature.circle else {
        let finding = Finding::new(&code::HOLE_NOT_ROUND, "A hole must be one whole circle.");
        return Outcome::Failed(vec![about(finding, variant, feature)]);
    };
    let Some(wood) = wood_of(documents, &variant.stock) else {
        // The unknown wood is a finding of its own.
        return Outcome::Failed(Vec::new());
    };
    let job = Hole {
        machine,
        wood: &wood,
        variant,
        feature,
        settings,
        at,
        diameter,
    };
    let drills = match &feature.cutter_wanted {
        Some(id) => match named(documents, id) {
            Ok(found) => vec![found],
            Err(finding) => return Outcome::Failed(vec![about(finding, variant, feature)]),
        },
        None => documents
            .shop
            .cutters
            .iter()
            .map(|(id, c)| (id.as_str(), c))
            .collect(),
    };
    let off = |c: &Cutter| (c.diameter.mm() - diameter).abs();
    let mut fitting: Vec<(&str, &Cutter)> = drills
        .into_iter()
        .filter(|(_, c)| c.kind == CutterKind::Drill && off(c) <= settings.match_within.mm())
        .collect();
    fitting.sort_by(|a, b| off(a.1).total_cmp(&off(b.1)).then(a.0.cmp(b.0)));
    let mut refused = Vec::new();
    for (id, drill) in fitting {
        match job.drilled(id, drill) {
            Ok((step, moves, findings)) => return Outcome::Step(Box::new(step), moves, findings),
            Err(why) => refused.push(why),
        }
    }
    let mills = match candidates(documents, variant, feature, None) {
        Ok(mills) => mills,
        Err(findings) if refused.is_empty() => return job.refuse(findings),
        Err(_) => {
            return job.refuse(vec![about(
                Finding::new(&code::CUTTER_TOO_SHORT, refused.join(" ")),
                variant,
                feature,
            )]);
        }
    };
    let mut smallest: Option<(f64, String)> = None;
    for choice in mills {
        let Some(cutter) = documents.cutter(&choice.cutter) else {
            continue;
        };
        let d = cutter.diameter.mm();
        if cutter.kind == CutterKind::EndMill {
            if let Some((step, moves, mut findings)) = job.milled(&choice.cutter, cutter) {
                findings.extend(choice.findings);
                return Outcome::Step(Box::new(step), moves, findings);
            }
        }
        if smallest.as_ref().is_none_or(|(s, _)| d < *s) {
            smallest = Some((d, format!("{} ({})", choice.cutter, cutter.label())));
        }
    }
    let nearest = smallest.map_or_else(String::new, |(_, c)| {
        format!("; the smallest that is long enough is {c}")
    });
    let message = format!(
        "No cutter makes the hole of {diameter:.3} mm at ({:.3}, {:.3}): no drill is within {} mm of it, and no centre-cutting end mill is smaller{nearest}.",
        at.x,
        at.y,
        settings.match_within.mm()
    );
    job.refuse(vec![about(
        Finding::new(&code::CUTTER_TOO_LARGE, message).at(at),
        variant,
        feature,
    )])
}

/// A hole and what it is made with.
struct Hole<'a> {
    machine: &'a Machine,
    wood: &'a WoodFigures,
    variant: &'a Variant,
    feature: &'a SizedFeature,
    settings: &'a DrillSettings,
    at: Point,
    diameter: f64,
}

impl Hole<'_> {
    fn refuse(&self, findings: Vec<Finding>) -> Outcome {
        match self.feature.if_unreachable {
            IfUnreachable::Refuse => Outcome::Failed(findings),
            IfUnreachable::Hand => Outcome::ByHand(
                findings
                    .into_iter()
                    .map(|f| f.message)
                    .collect::<Vec<_>>()
                    .join(" "),
            ),
        }
    }

    fn step(&self, id: &str, feeds: &Feeds, lowest: f64) -> Workingstep {
        Workingstep {
            feature: self.feature.key.clone(),
            operation: Operation::Drill,
            cutter: id.to_string(),
            rpm: feeds.rpm,
            feed: feeds.feed,
            plunge: feeds.plunge,
            lowest,
            moves: grainway_pipeline::work::BlobId(String::new()),
            profile: None,
            feed_reason: feeds.reason.clone(),
        }
    }

    /// With a drill of its diameter; the error says why this one does not do.
    fn drilled(
        &self,
        id: &str,
        drill: &Cutter,
    ) -> Result<(Workingstep, Vec<Move>, Vec<Finding>), String> {
        let (z, d) = (&self.variant.z, drill.diameter.mm());
        let half = drill
            .angle
            .unwrap_or(POINT_ANGLE_DEG)
            .clamp(60.0, 180.0)
            .to_radians()
            / 2.0;
        // Through: the full diameter must leave the wood, so the point goes deeper. Blind: the point ends at the depth asked for.
        let bottom = if self.feature.through {
            self.feature.floor - d / 2.0 / half.tan()
        } else {
            self.feature.floor
        };
        let depth = z.highest_top() - bottom;
        if let Some(why) = crate::cutters::too_short(id, drill, depth) {
            return Err(why);
        }
        let room = self.machine.spoilboard.mm() - self.settings.spoilboard_left.mm();
        if z.into_spoilboard(bottom) > room {
            return Err(format!(
                "Drill {id} ({}) would go {:.2} mm into the spoilboard; {room:.2} mm are allowed.",
                drill.label(),
                z.into_spoilboard(bottom)
            ));
        }
        let feeds = feeds(drill, self.wood, self.machine, Operation::Drill);
        let above = z.highest_top() + self.settings.clearance.mm();
        let peck = (depth > self.settings.no_peck_up_to * d).then_some(self.settings.peck * d);
        let moves = vec![
            Move::Rapid {
                to: self.at.at_z(SAFE_Z),
            },
            Move::Hole {
                at: self.at,
                retract: above,
                bottom,
                peck,
                feed: feeds.plunge,
            },
            Move::Rapid {
                to: self.at.at_z(SAFE_Z),
            },
        ];
        let findings = self.feed_findings(&feeds, id, drill);
        Ok((self.step(id, &feeds, bottom), moves, findings))
    }

    fn feed_findings(&self, feeds: &Feeds, id: &str, cutter: &Cutter) -> Vec<Finding> {
        let finding = feeds.finding(id, cutter, self.machine);
        finding
            .into_iter()
            .map(|f| about(f, self.variant, self.feature))
            .collect()
    }

    /// With an end mill; `None` when it is too large, or as large and cannot go straight down.
    fn milled(&self, id: &str, mill: &Cutter) -> Option<(Workingstep, Vec<Move>, Vec<Finding>)> {
        let (z, d) = (&self.variant.z, mill.diameter.mm());
        let path = (self.diameter - d) / 2.0;
        let feeds = feeds(mill, self.wood, self.machine, Operation::Drill);
        let above = z.highest_top() + self.settings.clearance.mm();
        let floor = self.feature.floor;
        let mut moves = Vec::new();
        if (self.diameter - d).abs() <= SLOT_MATCH_MM {
            if !mill.centre_cutting || mill.flutes == Flutes::DownCut {
                return None;
            }
            let (retract, bottom, feed) = (above, floor, feeds.plunge);
            moves.push(Move::Rapid {
                to: self.at.at_z(SAFE_Z),
            });
            moves.push(Move::Hole {
                at: self.at,
                retract,
                bottom,
                peck: Some(self.settings.peck * d),
                feed,
            });
            moves.push(Move::Rapid {
                to: self.at.at_z(SAFE_Z),
            });
        } else if path <= SLOT_MATCH_MM / 2.0 {
            return None;
        } else {
            let entry = path.min(ENTRY_PATH * d);
            let start = self.at + point(entry, 0.0);
            // The wall of the helix lies a cutter's radius farther out than its path.
            let way = |feed: f64| Way {
                ramp: self.settings.ramp.to_radians(),
                feed: feed_on_arc(feed, entry, entry + d / 2.0),
                plunge: feeds.plunge,
            };
            approach(&mut moves, start, above);
            if entry >= path - 1e-9 {
                helix(
                    &mut moves,
                    self.at,
                    path,
                    above,
                    floor,
                    true,
                    &way(feeds.feed),
                );
            } else {
                self.rings(
                    &mut moves,
                    &feeds,
                    mill,
                    entry,
                    path,
                    above,
                    &way(feeds.feed),
                );
            }
            let end = moves.iter().fold(start.at_z(above), |p, m| m.end(p));
            // Off the wall before lifting.
            moves.push(Move::Line {
                to: self.at.at_z(floor),
                feed: feeds.feed,
            });
            debug_assert!((end.z - floor).abs() < 1e-6);
            retract(&mut moves, self.at);
        }
        let findings = self.feed_findings(&feeds, id, mill);
        Some((self.step(id, &feeds, floor), moves, findings))
    }

    /// A wide hole: in each pass a helix in the middle, then rings outwards.
    #[allow(clippy::too_many_arguments)]
    fn rings(
        &self,
        moves: &mut Vec<Move>,
        feeds: &Feeds,
        mill: &Cutter,
        entry: f64,
        path: f64,
        above: f64,
        way: &Way,
    ) {
        let d = mill.diameter.mm();
        let top = self.variant.z.highest_top();
        let count = ((path - entry) / (self.settings.stepover.clamp(0.05, 0.45) * d))
            .ceil()
            .max(1.0);
        let mut from = above;
        for floor in equal_passes(top, self.feature.floor, feeds.pass_depth) {
            helix(moves, self.at, entry, from, floor, true, way);
            for i in 1..=count as u32 {
                let radius = entry + (path - entry) * f64::from(i) / count;
                let feed = feed_on_arc(feeds.feed, radius, radius + d / 2.0);
                moves.push(Move::Line {
                    to: (self.at + point(radius, 0.0)).at_z(floor),
                    feed: feeds.feed / 2.0,
                });
                moves.push(Move::Arc {
                    centre: self.at,
                    sweep: TAU,
                    dz: 0.0,
                    feed,
                });
            }
            if floor > self.feature.floor {
                moves.push(Move::Line {
                    to: (self.at + point(entry, 0.0)).at_z(floor),
                    feed: feeds.feed,
                });
            }
            from = floor;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_pipeline::doc::{SHOP_FORMAT, read_job, read_shop};
    use grainway_pipeline::geom::Point3;
    use grainway_pipeline::stage::{Cancel, Dialects, FileProblem, Files, MemorySpool, Silent};
    use serde_json::json;

    struct NoFiles;
    impl Files for NoFiles {
        fn read(&self, name: &str) -> Result<Vec<u8>, FileProblem> {
            Err(FileProblem::Missing(name.to_string()))
        }
    }

    /// A part of 20 mm ash with one hole, and the work after drilling it.
    fn drilled(diameter: f64, depth: serde_json::Value, cutters: serde_json::Value) -> Work {
        let shop = json!({ "format": SHOP_FORMAT,
            "machines": { "m": { "dialect": "d", "travel": [1000, 1000, 100], "z-zero": "bed", "max-feed": 6000,
                "max-plunge": 1500, "rapid": 9000, "acceleration": 500, "min-rpm": 1000, "max-rpm": 24000, "spoilboard": 18 } },
            "cutters": cutters,
            "stocks": { "ash": { "wood": "ash", "thickness": [20], "boards": [{ "id": "b", "length": 500, "width": 300 }] } } });
        let job = json!({ "format": "grainway.job/1", "name": "n", "shop": "s", "parts": [{ "id": "p", "stock": "ash",
            "blank": { "length": 200, "width": 100 }, "features": [{ "id": "h", "kind": "hole",
                "shape": { "circle": { "at": [50, 40], "diameter": diameter } }, "depth": depth }] }] });
        let documents = Documents {
            job: read_job(job.to_string().as_bytes()).unwrap(),
            shop: read_shop(shop.to_string().as_bytes()).unwrap(),
            hash: String::new(),
        };
        let mut work = Work::new(documents);
        let (dialects, spool, cancel) = (
            Dialects::default(),
            MemorySpool::default(),
            Cancel::default(),
        );
        let cx = Cx {
            files: &NoFiles,
            dialects: &dialects,
            spool: &spool,
            progress: &Silent,
            cancel: &cancel,
        };
        crate::drawing::Drawing
            .run(&mut work, &Default::default(), &cx)
            .unwrap();
        crate::fit::Fit
            .run(&mut work, &Default::default(), &cx)
            .unwrap();
        DrillStage
            .run(&mut work, &DrillSettings::default(), &cx)
            .unwrap();
        work
    }

    fn drill(diameter: f64) -> serde_json::Value {
        json!({ "kind": "drill", "number": 1, "diameter": diameter, "cutting-length": 45, "usable-length": 50, "max-rpm": 9000, "angle": 118 })
    }
    fn mill(diameter: f64) -> serde_json::Value {
        json!({ "kind": "end-mill", "number": 2, "diameter": diameter, "cutting-length": 25, "usable-length": 30, "max-rpm": 24000 })
    }

    fn ends(moves: &[Move]) -> Vec<Point3> {
        let mut at = Point3::default();
        moves
            .iter()
            .map(|m| {
                at = m.end(at);
                at
            })
            .collect()
    }

    #[test]
    fn a_drill_of_the_hole_s_diameter_pecks_and_its_point_leaves_the_wood() {
        let work = drilled(
            8.0,
            json!("through"),
            json!({ "d8": drill(8.0), "m6": mill(6.0) }),
        );
        let step = &work.variants[0].steps[0];
        assert_eq!(step.cutter, "d8");
        let moves = work.moves(&step.moves);
        let Move::Hole {
            at,
            retract,
            bottom,
            peck,
            ..
        } = moves[1]
        else {
            panic!("{moves:?}")
        };
        assert_eq!((at, peck), (point(50.0, 40.0), Some(12.0)));
        // The point of a 118° drill of 8 mm is 4 / tan 59° = 2.4034 mm long (plane geometry).
        assert!((bottom - (-0.3 - 2.403_442)).abs() < 1e-5, "{bottom}");
        assert!((retract - 22.0).abs() < 1e-9);
    }

    #[test]
    fn a_blind_hole_ends_at_its_depth() {
        let work = drilled(8.0, json!(14), json!({ "d8": drill(8.0) }));
        let moves = work.moves(&work.variants[0].steps[0].moves);
        assert!(
            matches!(moves[1], Move::Hole { bottom, .. } if (bottom - 6.0).abs() < 1e-9),
            "{moves:?}"
        );
    }

    #[test]
    fn a_hole_without_its_drill_is_milled_on_a_helix_at_a_quarter_of_the_feed() {
        let work = drilled(8.0, json!(10), json!({ "m6": mill(6.0) }));
        let step = &work.variants[0].steps[0];
        let moves = work.moves(&step.moves);
        let arcs: Vec<(f64, f64)> = moves
            .iter()
            .filter_map(|m| {
                if let Move::Arc { sweep, feed, .. } = m {
                    Some((*sweep, *feed))
                } else {
                    None
                }
            })
            .collect();
        assert!(
            arcs.len() >= 2 && arcs.iter().all(|a| a.0 > 0.0),
            "climb inside is counter-clockwise"
        );
        // An 8 mm hole with a 6 mm cutter: the wall sees four times the centre's feed (practice, plain arithmetic).
        for (_, feed) in &arcs {
            assert!(
                (feed - step.feed / 4.0).abs() <= 1.0,
                "{feed} of {}",
                step.feed
            );
        }
        let low = ends(&moves)
            .iter()
            .filter(|p| p.z.is_finite())
            .map(|p| p.z)
            .fold(f64::INFINITY, f64::min);
        assert!((low - 10.0).abs() < 1e-6, "{low}");
        for (m, p) in moves.iter().zip(ends(&moves)) {
            if matches!(m, Move::Arc { .. }) {
                assert!((p.xy().distance(point(50.0, 40.0)) - 1.0).abs() < 1e-9);
            }
        }
    }

    #[test]
    fn a_wide_hole_is_cleared_in_rings_without_a_core() {
        let work = drilled(35.0, json!(6), json!({ "m6": mill(6.0) }));
        let moves = work.moves(&work.variants[0].steps[0].moves);
        let mut at = Point3::default();
        let mut radii = std::collections::BTreeSet::new();
        for m in &moves {
            if let Move::Arc { centre, dz, .. } = m {
                if *dz == 0.0 && (at.z - 14.0).abs() < 1e-9 {
                    radii.insert((at.xy().distance(*centre) * 1000.0).round() as i64);
                }
            }
            at = m.end(at);
        }
        let radii: Vec<f64> = radii.into_iter().map(|r| r as f64 / 1000.0).collect();
        assert!(
            radii[0] < 3.0 && (radii[radii.len() - 1] - 14.5).abs() < 1e-3,
            "{radii:?}"
        );
        for pair in radii.windows(2) {
            assert!(pair[1] - pair[0] <= 0.45 * 6.0 + 1e-3, "{radii:?}");
        }
    }

    #[test]
    fn a_hole_that_nothing_fits_is_refused_with_its_place() {
        let work = drilled(5.0, json!(6), json!({ "m6": mill(6.0), "d8": drill(8.0) }));
        let found = work
            .findings
            .iter()
            .find(|f| f.code == "cutter-too-large")
            .expect("a finding");
        assert_eq!(found.at, Some(point(50.0, 40.0)));
        assert!(
            found.message.contains('5') && found.feature.as_deref() == Some("h"),
            "{found}"
        );
        assert!(work.variants[0].steps.is_empty());
    }

    #[test]
    fn a_hole_of_the_mill_s_diameter_is_plunged() {
        let work = drilled(6.0, json!(6), json!({ "m6": mill(6.0) }));
        let moves = work.moves(&work.variants[0].steps[0].moves);
        assert!(
            matches!(moves[1], Move::Hole { peck: Some(p), .. } if (p - 9.0).abs() < 1e-9),
            "{moves:?}"
        );
    }
}
