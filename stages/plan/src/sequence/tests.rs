use super::*;
use crate::trial::{job, made, shop};
use grainway_geom::Placing;
use grainway_pipeline::work::{HoldKind, Placement, SetupStep};
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
                hold: Default::default(),
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

/// Legs that begin and end at points, all in one group.
fn at_points(points: &[Point]) -> Vec<Leg> {
    let leg = |p: &Point| Leg {
        group: (0, 0, 0),
        from: *p,
        to: *p,
    };
    points.iter().map(leg).collect()
}

/// A closed way through the points by [`route`], as a chain of them.
fn closed(points: &[Point], improve: u32) -> Vec<Point> {
    let order = route(
        &at_points(&points[1..]),
        points[0],
        Some(points[0]),
        improve,
    );
    let mut all: Vec<usize> = order.clone();
    all.sort_unstable();
    assert!(all.into_iter().eq(0..points.len() - 1), "each once");
    let way = order.into_iter().map(|i| points[i + 1]);
    std::iter::once(points[0]).chain(way).collect()
}

fn length(way: &[Point], distance: impl Fn(Point, Point) -> f64) -> f64 {
    let next = way.iter().cycle().skip(1);
    way.iter().zip(next).map(|(a, b)| distance(*a, *b)).sum()
}

fn improve() -> u32 {
    SequenceSettings::default().improve
}

/// On a lattice with an even side the shortest closed way has as many unit steps as points: no two are nearer to each other.
#[test]
fn a_closed_way_through_a_lattice_is_within_4_percent_of_the_shortest() {
    let mut points: Vec<Point> = (0..1024)
        .map(|i| point(10.0 * f64::from(i % 32), 10.0 * f64::from(i / 32)))
        .collect();
    let mut rng = Seeded(3);
    for i in (1..points.len()).rev() {
        points.swap(i, rng.below(i + 1));
    }
    let way = length(&closed(&points, improve()), Point::distance);
    assert!((10_240.0..10_240.0 * 1.04).contains(&way), "{way}");
}

/// On a circle the shortest closed way goes round it.
#[test]
fn a_closed_way_through_a_circle_goes_round() {
    let points: Vec<Point> = (0..300)
        .map(|i| Point::unit(f64::from((i * 77) % 300) * std::f64::consts::TAU / 300.0) * 500.0)
        .collect();
    let way = length(&closed(&points, improve()), Point::distance);
    let round = 300.0 * 1000.0 * (std::f64::consts::PI / 300.0).sin();
    assert!((way - round).abs() < 1e-6 * round, "{way} {round}");
}

/// Drilling problems and cities of TSPLIB 95 (G. Reinelt, 1991), where a folder beside the project holds them; distances are rounded to
/// whole numbers, and the optimal lengths are those published with it (from memory).
#[test]
fn closed_ways_through_published_problems_are_within_4_percent_of_the_optimum() {
    let above = std::path::PathBuf::from(env!("CARGO_MANIFEST_DIR"));
    for (name, optimum) in [
        ("d198", 15_780.0),
        ("pcb442", 50_778.0),
        ("pr1002", 259_045.0),
    ] {
        let file = format!("shared/datasets/tsplib/{name}.csv");
        let found = above
            .ancestors()
            .find_map(|a| std::fs::read_to_string(a.join(&file)).ok());
        let Some(text) = found else { continue };
        let points: Vec<Point> = text
            .lines()
            .skip(1)
            .filter_map(|l| l.split_once(','))
            .map(|(x, y)| point(x.trim().parse().unwrap(), y.trim().parse().unwrap()))
            .collect();
        let whole = |a: Point, b: Point| a.distance(b).round();
        let way = length(&closed(&points, improve()), whole);
        assert!(way >= optimum, "{name}: {way}");
        assert!(
            way < 1.04 * optimum,
            "{name}: {way} is {:.4} times",
            way / optimum
        );
    }
}

/// Steps that do not end where they begin: every way is tried (8! of them), and the one found is nearly always the shortest.
#[test]
fn ways_of_a_few_steps_are_the_shortest() {
    let mut shortest = 0;
    for seed in 0..20 {
        let mut rng = Seeded(seed);
        let legs: Vec<Leg> = (0..8)
            .map(|_| {
                let mut p = || point(rng.below(1000) as f64, rng.below(600) as f64);
                let from = p();
                let to = from + (p() - from) * 0.1;
                Leg {
                    group: (0, 0, 0),
                    from,
                    to,
                }
            })
            .collect();
        let air = |order: &[usize]| {
            let mut at = point(0.0, 0.0);
            let mut sum = 0.0;
            for &i in order {
                sum += at.distance(legs[i].from);
                at = legs[i].to;
            }
            sum + at.length()
        };
        let mut order: Vec<usize> = (0..8).collect();
        let mut least = f64::INFINITY;
        every_order(&mut order, 0, &mut |o| least = least.min(air(o)));
        let found = air(&route(
            &legs,
            point(0.0, 0.0),
            Some(point(0.0, 0.0)),
            improve(),
        ));
        assert!(found < 1.05 * least, "{seed}: {found} {least}");
        shortest += usize::from(found < least + 1e-6);
    }
    assert!(shortest >= 16, "{shortest}");
}

fn every_order(order: &mut Vec<usize>, from: usize, each: &mut dyn FnMut(&[usize])) {
    if from == order.len() {
        return each(order);
    }
    for k in from..order.len() {
        order.swap(from, k);
        every_order(order, from + 1, each);
        order.swap(from, k);
    }
}

/// Groups are run one after the other, whatever it costs.
#[test]
fn groups_keep_their_order() {
    let mut rng = Seeded(11);
    let legs: Vec<Leg> = (0..120)
        .map(|_| {
            let p = point(rng.below(1000) as f64, rng.below(600) as f64);
            Leg {
                group: (rng.below(3) as u32, rng.below(2) as u32, 0),
                from: p,
                to: p,
            }
        })
        .collect();
    let order = route(&legs, point(0.0, 0.0), None, improve());
    assert!(order.is_sorted_by_key(|&i| legs[i].group));
    assert_eq!(order, route(&legs, point(0.0, 0.0), None, improve()));
}

#[test]
fn a_row_met_in_disorder_is_run_from_end_to_end() {
    let row: Vec<Point> = (0..200)
        .map(|i| point(f64::from((i * 37) % 200) * 10.0, 0.0))
        .collect();
    let legs = at_points(&row);
    let order = route(&legs, point(0.0, 0.0), None, improve());
    let way: f64 = order
        .windows(2)
        .map(|w| legs[w[0]].to.distance(legs[w[1]].from))
        .sum();
    assert!((way - 1990.0).abs() < 1e-9, "{way}");
}
