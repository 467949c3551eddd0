use super::*;
use crate::trial::{job, made, shop};
use grainway_geom::Placing;
use grainway_pipeline::work::{Placement, SetupStep};
use serde_json::json;

/// The same numbers from the same seed everywhere (a linear congruence; Knuth's MMIX constants, from memory).
struct Seeded(u64);

impl Seeded {
    fn below(&mut self, n: usize) -> usize {
        self.0 = self
            .0
            .wrapping_mul(6_364_136_223_846_793_005)
            .wrapping_add(1_442_695_040_888_963_407);
        ((self.0 >> 33) as usize) % n
    }
}

/// A board with random variants of random steps, `copies` of each.
fn random(seed: u64, copies: usize) -> Work {
    let j = job(json!([{ "id": "a", "stock": "wood", "blank": { "length": 90, "width": 60 } }]));
    let mut work = made(&j, &shop("bed", &[12.0]));
    let template = work.variants[0].clone();
    let outline = template.steps.last().unwrap().clone();
    let mut rng = Seeded(seed);
    work.variants.clear();
    let kinds = [
        Operation::Engrave,
        Operation::Drill,
        Operation::Clear,
        Operation::FinishWall,
        Operation::Cutout,
    ];
    let cutters = ["mill", "drill", "fine"];
    let mut placements: Vec<Placement> = Vec::new();
    for v in 0..3 {
        let mut variant = template.clone();
        variant.id = format!("v{v}");
        variant.steps.clear();
        for f in 0..rng.below(4) {
            for _ in 0..=rng.below(2) {
                let mut step = outline.clone();
                step.feature = format!("f{f}");
                step.operation = kinds[rng.below(kinds.len())];
                step.cutter = cutters[rng.below(cutters.len())].to_string();
                variant.steps.push(step);
            }
        }
        let mut last = outline.clone();
        last.cutter = cutters[rng.below(2)].to_string();
        variant.steps.push(last);
        for c in 0..copies {
            placements.push(Placement {
                piece: format!("v{v}#{c}"),
                variant: variant.id.clone(),
                placing: Placing::shift(point(
                    120.0 * rng.below(40) as f64,
                    90.0 * rng.below(40) as f64,
                )),
                tabs: Vec::new(),
                waste: Vec::new(),
                tabbed: Vec::new(),
                replaced: Vec::new(),
            });
        }
        work.variants.push(variant);
    }
    let setup = &mut work.setups[0];
    setup.placements = placements;
    setup.own_steps.clear();
    setup.order.clear();
    work
}

fn ordered(work: &Work) -> Vec<Entry> {
    let mut ends = Ends {
        work,
        known: BTreeMap::new(),
    };
    order(
        work,
        &work.setups[0],
        &SequenceSettings::default(),
        point(0.0, 0.0),
        &mut ends,
    )
}

fn steps(order: &[Entry]) -> Vec<(usize, usize)> {
    order
        .iter()
        .filter_map(|e| match e {
            Entry::Step(StepRef::Placed(p, s)) => Some((*p, *s)),
            _ => None,
        })
        .collect()
}

#[test]
fn orders_keep_to_practice() {
    for seed in 0..60 {
        let work = random(seed, 1 + seed as usize % 4);
        let setup = &work.setups[0];
        let order = ordered(&work);
        assert!(matches!(order.first(), Some(Entry::Cutter(_))));
        let run = steps(&order);
        let total: usize = setup
            .placements
            .iter()
            .map(|p| work.variant(&p.variant).unwrap().steps.len())
            .sum();
        let all: std::collections::BTreeSet<_> = run.iter().collect();
        assert_eq!((run.len(), all.len()), (total, total), "seed {seed}");
        let at = |p: usize, s: usize| run.iter().position(|r| *r == (p, s)).unwrap();
        let is = |p: usize, s: usize| {
            work.variant(&setup.placements[p].variant).unwrap().steps[s].operation
        };
        let first_outline = run
            .iter()
            .position(|&(p, s)| is(p, s) == Operation::Outline)
            .unwrap();
        for (k, &(p, s)) in run.iter().enumerate() {
            // Outlines after everything else on the board.
            assert_eq!(
                k >= first_outline,
                is(p, s) == Operation::Outline,
                "seed {seed}"
            );
        }
        for (p, placement) in setup.placements.iter().enumerate() {
            let variant = work.variant(&placement.variant).unwrap();
            for (s, a) in variant.steps.iter().enumerate() {
                for (t, b) in variant.steps.iter().enumerate() {
                    // Steps of one feature in their order.
                    if s < t && a.feature == b.feature {
                        assert!(at(p, s) < at(p, t), "seed {seed}");
                    }
                    // Cutouts after all that is inside the piece, but for what follows a cutout of its own feature.
                    let inside = !matches!(b.operation, Operation::Cutout | Operation::Outline);
                    let follows = variant.steps[..t]
                        .iter()
                        .any(|c| c.feature == b.feature && c.operation == Operation::Cutout);
                    if a.operation == Operation::Cutout && inside && !follows {
                        assert!(at(p, t) < at(p, s), "seed {seed}");
                    }
                }
            }
        }
        // The cutter in the spindle is the step's own.
        let mut cutter = "";
        for e in &order {
            match e {
                Entry::Cutter(c) => {
                    assert_ne!(c, cutter);
                    cutter = c;
                }
                Entry::Step(StepRef::Placed(p, s)) => {
                    let v = work.variant(&setup.placements[*p].variant).unwrap();
                    assert_eq!(v.steps[*s].cutter, cutter);
                }
                _ => {}
            }
        }
        assert_eq!(order, ordered(&work));
    }
}

#[test]
fn few_changes_where_one_would_do() {
    // Two pieces: one needs the fine cutter before its outline, the other only the mill. Two cutters suffice.
    let mut work = random(1, 1);
    let outline = work.variants[0].steps.last().unwrap().clone();
    let step = |operation, cutter: &str, feature: &str| {
        let mut s = outline.clone();
        (s.operation, s.cutter, s.feature) = (operation, cutter.to_string(), feature.to_string());
        s
    };
    work.variants[0].steps = vec![
        step(Operation::Clear, "mill", "p"),
        step(Operation::FinishWall, "fine", "p"),
        step(Operation::Outline, "mill", "outline"),
    ];
    work.variants[1].steps = vec![
        step(Operation::Drill, "fine", "h"),
        step(Operation::Outline, "mill", "outline"),
    ];
    work.variants[2].steps = vec![step(Operation::Outline, "mill", "outline")];
    let changes = ordered(&work)
        .iter()
        .filter(|e| matches!(e, Entry::Cutter(_)))
        .count();
    // mill (clear), fine (finish, drill), mill (outlines): the clearing must come before, the outlines after.
    assert_eq!(changes, 3);
    work.variants[0].steps.remove(0);
    let changes = ordered(&work)
        .iter()
        .filter(|e| matches!(e, Entry::Cutter(_)))
        .count();
    assert_eq!(changes, 2);
}

#[test]
fn pilots_come_first_then_the_pause() {
    let mut work = random(3, 2);
    let outline = work.variants[0].steps.last().unwrap().clone();
    let setup = &mut work.setups[0];
    setup.own_steps.push(SetupStep {
        stage: "hold".to_string(),
        label: "pilots".to_string(),
        operation: Operation::Pilot,
        cutter: "drill".to_string(),
        rpm: 9000.0,
        feed: 300.0,
        plunge: 300.0,
        lowest: -6.0,
        moves: outline.moves,
        allowed: Vec::new(),
    });
    setup.holds.push(Hold {
        kind: HoldKind::WasteScrew,
        at: point(100.04, 50.0),
        head_radius: 4.0,
        shaft: 4.0,
        head_above: 0.0,
        after_pause: Some(1),
        of: None,
    });
    let order = ordered(&work);
    assert_eq!(order[0], Entry::Cutter("drill".to_string()));
    assert_eq!(order[1], Entry::Step(StepRef::Own(0)));
    assert_eq!(
        order[2],
        Entry::Pause {
            number: 1,
            message: "Drive 1 screw, 4 mm thick, 20 to 27 mm long, into the pilots at (100, 50), heads sunk".to_string()
        }
    );
    // No pause without screws.
    work.setups[0].own_steps.clear();
    work.setups[0].holds.clear();
    assert!(
        !ordered(&work)
            .iter()
            .any(|e| matches!(e, Entry::Pause { .. }))
    );
}

#[test]
fn the_way_through_the_air_is_short() {
    // A row of holes met in disorder: the way there is one length of the row, and never longer than nearest neighbour's.
    let mut rng = Seeded(7);
    let mut legs: Vec<Leg> = (0..200)
        .map(|_| {
            let p = point(rng.below(1000) as f64, rng.below(600) as f64);
            Leg {
                group: (0, 0, 0),
                from: p,
                to: p,
            }
        })
        .collect();
    let length = |order: &[usize], legs: &[Leg]| {
        let mut at = point(0.0, 0.0);
        order
            .iter()
            .map(|&i| {
                let d = at.distance(legs[i].from);
                at = legs[i].to;
                d
            })
            .sum::<f64>()
    };
    let plain = length(&route(&legs, point(0.0, 0.0), 0), &legs);
    let better = length(&route(&legs, point(0.0, 0.0), 8), &legs);
    assert!(better < plain, "{better} {plain}");
    // Random points: the shortest way is about 0.7124 √(n·A) (Beardwood, Halton and Hammersley 1959; the constant from memory).
    let expected = 0.7124 * (200.0_f64 * 600_000.0).sqrt();
    assert!(better < 1.25 * expected, "{better} {expected}");
    for (i, leg) in legs.iter_mut().enumerate() {
        let p = point(((i * 37) % 200) as f64 * 10.0, 0.0);
        (leg.from, leg.to) = (p, p);
    }
    let row = length(&route(&legs, point(0.0, 0.0), 8), &legs);
    assert!((row - 1990.0).abs() < 1e-9, "{row}");
}
