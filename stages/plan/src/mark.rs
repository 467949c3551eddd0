//! Engraved lines: the cutter's centre follows the line at its depth. A V-cutter goes down in passes that each sweep no more wood than
//! its first one, so that a deep one takes as many as its section asks for.

use crate::cutters;
use crate::feeds::{feeds, wood_of};
use crate::findings;
use grainway_geom::{Contour, Point, Segment};
use grainway_pipeline::doc::{Cutter, CutterKind, FeatureKind, ZZero};
use grainway_pipeline::finding::{Finding, code};
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

/// A V-cutter goes straight down into the wood by so much at most, mm; deeper it ramps along the line. Common practice, no source.
const STRAIGHT_DOWN_MM: f64 = 1.0;
/// A pass that takes more than this share of the largest section is fed slower, down to half at the whole of it. Common practice,
/// no source.
const FULL_FEED_SECTION: f64 = 0.5;
/// Depths of V-cutter passes are found to this, mm.
const PASS_MM: f64 = 1e-4;

/// The name of this stage.
const MARK: &str = "mark";

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
            name: MARK,
            version: 3,
            summary: "Engraves drawn lines.",
            needs: &["variants"],
            gives: &["engraved"],
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
                    Err(found) => findings.extend(
                        found
                            .into_iter()
                            .map(|f| findings::about(f, variant, feature)),
                    ),
                }
            }
            work.variants[i].steps.retain(|s| s.stage != MARK);
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
) -> Result<(&'a str, &'a Cutter), Vec<Finding>> {
    let asked = feature
        .cutter
        .as_deref()
        .or(feature.cutter_wanted.as_deref())
        .or(settings.cutter.as_deref());
    if let Some(id) = asked {
        return cutters::named(documents, id).map_err(|f| vec![*f]);
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
            let message = "The shop has no cutter that can engrave a line.";
            vec![Finding::new(&code::CUTTER_UNFIT, message)]
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
) -> Result<(Workingstep, Vec<Move>, Vec<Finding>), Vec<Finding>> {
    let unknown = |what: String| vec![Finding::new(&code::UNKNOWN_NAME, what)];
    let (id, cutter) = chosen(documents, feature, settings)?;
    if cutter.kind == CutterKind::Drill {
        let message = format!("{id} ({}) cannot follow a line.", cutter.label());
        return Err(vec![Finding::new(&code::CUTTER_UNFIT, message)]);
    }
    if let Some(why) = cutters::too_short(id, cutter, cutters::depth_of_cut(variant, feature)) {
        return Err(vec![Finding::new(&code::CUTTER_TOO_SHORT, why)]);
    }
    let (_, machine) = documents
        .machine()
        .ok_or_else(|| unknown("The machine of the job is not known.".to_string()))?;
    // An unknown wood is told once, by fit.
    let wood = wood_of(documents, &variant.stock).ok_or_else(Vec::new)?;
    let feeds = feeds(cutter, &wood, machine, Operation::Engrave);
    let mut notes: Vec<Finding> = feeds.finding(id, cutter, machine).into_iter().collect();
    notes.extend(overruns(variant, feature, cutter));
    notes.extend(misses(variant, feature));
    for note in &mut notes {
        *note = findings::about(note.clone(), variant, feature);
    }
    let top = variant.z.highest_top();
    let (floors, share) = passes(cutter, top, feature.floor, feeds.pass_depth);
    let first = top - floors.first().copied().unwrap_or(top);
    let ramps = cutter.kind == CutterKind::VCutter && first > STRAIGHT_DOWN_MM;
    let feed = (feeds.feed * share).floor().max(1.0);
    let line = Line {
        path: &feature.shape,
        clear_z: top + CLEAR_MM,
        feed,
        plunge: feeds.plunge,
        slope: settings.ramp_angle.clamp(0.5, 30.0).to_radians().tan(),
        straight_down: cutter.centre_cutting && !ramps,
    };
    let moves = line.moves(&floors);
    let step = Workingstep {
        stage: MARK.to_string(),
        feature: feature.key.clone(),
        operation: Operation::Engrave,
        cutter: id.to_string(),
        rpm: feeds.rpm,
        feed,
        plunge: feeds.plunge,
        lowest: feature.floor.min(top),
        // Replaced when the moves are stored.
        moves: grainway_pipeline::work::BlobId(String::new()),
        profile: None,
    };
    Ok((step, moves, notes))
}

/// Floors of the passes, and the share of the feed for the section that each sweeps. A flat cutter's passes are equal; a V-cutter's
/// sweep equal sections, none more than its first pass may.
fn passes(cutter: &Cutter, top: f64, floor: f64, most: f64) -> (Vec<f64>, f64) {
    let depth = top - floor;
    if cutter.kind != CutterKind::VCutter || depth <= 0.0 {
        return (crate::entry::equal_passes(top, floor, most), 1.0);
    }
    let whole = cutter.section_mm2(depth);
    let times = whole / cutter.section_mm2(most).max(f64::MIN_POSITIVE);
    let n = (times - 1e-9).ceil().max(1.0);
    let floors = (1..=n as u32)
        .map(|i| match f64::from(i) < n {
            true => top - depth_of_section(cutter, whole * f64::from(i) / n, depth),
            false => floor,
        })
        .collect();
    let over = (times / n - FULL_FEED_SECTION).max(0.0) / (1.0 - FULL_FEED_SECTION);
    (floors, 1.0 - 0.5 * over.min(1.0))
}

/// How deep the cutter sweeps this section, mm, at most `most`: the section grows with the depth, so the interval is halved.
fn depth_of_section(cutter: &Cutter, section: f64, most: f64) -> f64 {
    let (mut low, mut high) = (0.0, most);
    while high - low > PASS_MM {
        let middle = 0.5 * (low + high);
        if cutter.section_mm2(middle) < section {
            low = middle;
        } else {
            high = middle;
        }
    }
    low
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
            Move::rapid(first.start().at_z(SAFE_Z)),
            Move::rapid(first.start().at_z(self.clear_z)),
        ];
        let (mut z, mut forward) = (self.clear_z, true);
        let mut at = first.start();
        for &floor in floors {
            if self.straight_down {
                moves.push(Move::line(at.at_z(floor), self.plunge));
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
        moves.push(Move::rapid(at.at_z(SAFE_Z)));
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
                Segment::Line { b, .. } => Move::line(b.at_z(after), feed),
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::profile::tests::{feature, run_stage, sampled, variant, work};
    use grainway_geom::{Vertex, point};

    const CUTTERS: &str = r#"{
        "mill":{"kind":"end-mill","number":1,"diameter":6,"cutting-length":28,"max-rpm":24000},
        "fine":{"kind":"end-mill","number":2,"diameter":1.5,"cutting-length":5,"max-rpm":24000,"centre-cutting":false},
        "drill":{"kind":"drill","number":3,"diameter":1,"cutting-length":20,"max-rpm":9000}}"#;
    const WITH_V: &str = r#"{
        "mill":{"kind":"end-mill","number":1,"diameter":3,"cutting-length":28,"max-rpm":24000},
        "vee":{"kind":"v-cutter","number":2,"diameter":12,"angle":90,"cutting-length":6,"max-rpm":24000}}"#;

    fn marked(cutters: &str, line: Contour, floor: f64, settings: &MarkSettings) -> Work {
        let mut w = work(cutters);
        let outline = Contour::rectangle(point(0.0, 0.0), point(200.0, 100.0), 0.0);
        w.variants.push(variant(
            outline,
            vec![feature("line", FeatureKind::Engraving, line, floor)],
        ));
        run_stage(&Mark, &mut w, settings);
        w
    }

    fn an_s() -> Contour {
        let v = |x, y, bulge| Vertex {
            at: point(x, y),
            bulge,
        };
        Contour {
            vertices: vec![
                v(40.0, 40.0, 0.0),
                v(60.0, 40.0, 1.0),
                v(60.0, 60.0, -0.5),
                v(80.0, 80.0, 0.0),
            ],
            closed: false,
        }
    }

    #[test]
    fn line_is_followed_at_its_depth_by_the_finest_cutter() {
        for (cutters, id) in [(WITH_V, "vee"), (CUTTERS, "mill")] {
            let w = marked(cutters, an_s(), 21.0, &MarkSettings::default());
            assert!(w.findings.is_empty(), "{:?}", w.findings);
            let step = &w.variants[0].steps[0];
            assert_eq!(
                (step.cutter.as_str(), step.operation, step.lowest),
                (id, Operation::Engrave, 21.0)
            );
            let moves = w.moves(&step.moves);
            assert!(matches!(moves[0], Move::Rapid { to } if to.z == SAFE_Z));
            assert!(matches!(moves.last(), Some(Move::Rapid { to }) if to.z == SAFE_Z));
            let points = sampled(&moves, 0.05);
            assert!(points.iter().all(|p| an_s().distance(p.xy()) < 1e-9));
            for s in an_s().segments() {
                for i in 0..=50 {
                    let q = s.at(f64::from(i) / 50.0);
                    let near = points
                        .iter()
                        .filter(|p| (p.z - 21.0).abs() < 1e-9)
                        .map(|p| p.xy().distance(q));
                    assert!(near.fold(f64::INFINITY, f64::min) < 0.05);
                }
            }
        }
    }

    #[test]
    fn cutter_that_may_not_go_straight_down_ramps_along_the_line() {
        let settings = MarkSettings {
            cutter: Some("fine".to_string()),
            ..MarkSettings::default()
        };
        for line in [an_s(), Contour::circle(point(100.0, 50.0), 8.0)] {
            let w = marked(CUTTERS, line.clone(), 20.0, &settings);
            assert!(w.findings.is_empty(), "{:?}", w.findings);
            let points = sampled(&w.moves(&w.variants[0].steps[0].moves), 0.05);
            let steepest = points
                .windows(2)
                .map(|p| (p[0].z - p[1].z) / p[0].xy().distance(p[1].xy()).max(1e-12))
                .fold(0.0, f64::max);
            assert!(steepest < 3.0_f64.to_radians().tan() * 1.01, "{steepest}");
            assert!(points.iter().any(|p| (p.z - 20.0).abs() < 1e-9));
            assert!(points.iter().all(|p| line.distance(p.xy()) < 1e-9));
        }
    }

    #[test]
    fn deep_lines_take_several_passes() {
        let w = marked(
            WITH_V,
            an_s(),
            17.0,
            &MarkSettings {
                cutter: Some("mill".to_string()),
                ..MarkSettings::default()
            },
        );
        let moves = w.moves(&w.variants[0].steps[0].moves);
        let mut floors: Vec<f64> = moves
            .iter()
            .filter_map(|m| match m {
                Move::Line { to, .. } => Some(to.z),
                _ => None,
            })
            .collect();
        floors.dedup();
        // 5.1 mm below the highest face by a 3 mm cutter: 4 equal passes of 1.275 mm.
        assert_eq!(floors.len(), 4);
        for (i, f) in floors.iter().enumerate() {
            assert!(
                (f - (22.1 - 1.275 * (i + 1) as f64)).abs() < 1e-9,
                "{floors:?}"
            );
        }
    }

    #[test]
    fn lines_over_the_edge_are_told_of() {
        let line = Contour::open([point(150.0, 50.0), point(204.0, 50.0)]);
        let w = marked(WITH_V, line, 21.1, &MarkSettings::default());
        assert_eq!(w.findings.len(), 1);
        assert_eq!(w.findings[0].code, "engraving-overrun");
        // 4 mm over the edge and half the V's width: 90°, 1 mm below the highest face.
        assert!(
            w.findings[0].message.contains("5.00 mm"),
            "{}",
            w.findings[0].message
        );
        assert_eq!(w.findings[0].at, Some(point(204.0, 50.0)));
    }

    #[test]
    fn shallow_lines_on_uneven_wood_are_told_of() {
        let w = marked(WITH_V, an_s(), 21.95, &MarkSettings::default());
        assert_eq!(
            w.findings
                .iter()
                .map(|f| f.code.as_str())
                .collect::<Vec<_>>(),
            ["engraving-shallow"]
        );
    }

    #[test]
    fn lines_too_deep_for_the_cutter_and_unknown_cutters_are_refused() {
        let fine = MarkSettings {
            cutter: Some("fine".to_string()),
            ..MarkSettings::default()
        };
        assert_eq!(
            marked(CUTTERS, an_s(), 15.0, &fine).findings[0].code,
            "cutter-too-short"
        );
        let wrong = MarkSettings {
            cutter: Some("fien".to_string()),
            ..MarkSettings::default()
        };
        let w = marked(CUTTERS, an_s(), 21.0, &wrong);
        assert_eq!(w.findings[0].code, "unknown-name");
        assert!(w.findings[0].message.contains("fine"));
        let drill = MarkSettings {
            cutter: Some("drill".to_string()),
            ..MarkSettings::default()
        };
        assert_eq!(
            marked(CUTTERS, an_s(), 21.0, &drill).findings[0].code,
            "cutter-unfit"
        );
    }
}
