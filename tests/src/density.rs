//! Irregular strips: how much of a strip the search of `grainway-nest` fills, beside a plain bottom-left filling and what was published.

use crate::{python, root};
use grainway_geom::{Bounds, Point, PolySet, point};
use grainway_nest::{Item, Kind, Piece, Shape, Sheets, Strip, sheets, turned};
use serde_json::{Value, json};
use std::io::Write;
use std::path::PathBuf;
use std::process::Stdio;

/// A strip to fill. Coordinates are scaled so that the strip is 1,000 mm wide.
pub struct Instance {
    /// The data set's own name for it.
    pub name: String,
    /// Polygons as the data set has them, in its own unit.
    pub shapes: Vec<Shape>,
    /// What is to be laid.
    pub items: Vec<Item>,
}

/// The strip's width, mm.
pub const WIDTH_MM: f64 = 1000.0;

/// Greatest densities published, per cent, recalled from A. Elkeran, "A new approach for sheet nesting problem using guided cuckoo
/// search and pairwise clustering", EJOR 231 (2013) 757–769; dighe1 and dighe2 are jigsaws, which have no gaps. For the others no
/// figure for the turns that the files allow is known to us.
pub const PUBLISHED: [(&str, f64); 13] = [
    ("albano", 89.58),
    ("blaz", 84.84),
    ("dagli", 89.51),
    ("dighe1", 100.0),
    ("dighe2", 100.0),
    ("fu", 92.41),
    ("mao", 85.44),
    ("marques", 90.59),
    ("shapes0", 68.79),
    ("shapes1", 76.73),
    ("shirts", 88.96),
    ("swim", 75.94),
    ("trousers", 91.00),
];

impl Instance {
    /// From the form of the data set: strip width, pieces with count, turns and outline.
    pub fn read(text: &str) -> Option<Instance> {
        let value: Value = serde_json::from_str(text).ok()?;
        let scale = WIDTH_MM / value["strip_width"].as_f64()?;
        let mut instance = Instance {
            name: value["name"].as_str()?.to_string(),
            shapes: Vec::new(),
            items: Vec::new(),
        };
        for piece in value["pieces"].as_array()? {
            let corner = |p: &Value| Some(point(p[0].as_f64()?, p[1].as_f64()?) * scale);
            let outline: Option<Vec<Point>> =
                piece["outline"].as_array()?.iter().map(corner).collect();
            let quarters: Vec<u8> = match piece["rotations_deg"].as_array() {
                Some(turns) => turns
                    .iter()
                    .filter_map(Value::as_f64)
                    .map(|degrees| (degrees / 90.0).round() as u8)
                    .collect(),
                None => vec![0],
            };
            let shape = instance.shapes.len();
            instance.shapes.push(Shape::new(vec![outline?]));
            for _ in 0..piece["count"].as_u64()? {
                instance.items.push(Item {
                    shape,
                    quarters: quarters.clone(),
                });
            }
        }
        Some(instance)
    }
    /// Area of all items, mm².
    pub fn area(&self) -> f64 {
        self.items.iter().map(|i| self.shapes[i.shape].area()).sum()
    }
    /// How much of a strip of this length the items fill, per cent.
    pub fn density(&self, length: f64) -> f64 {
        100.0 * self.area() / (WIDTH_MM * length)
    }
    /// The search's strip.
    pub fn searched(&self, steps: u64) -> Option<Strip> {
        grainway_nest::strip(&self.shapes, &self.items, WIDTH_MM, steps)
    }
    /// Length of a plain bottom-left filling, mm: the largest first, each where a corner of it meets a corner of what lies already or
    /// of the strip, as far left as that goes without overlap, and then as low.
    pub fn bottom_left(&self) -> f64 {
        let mut order: Vec<&Item> = self.items.iter().collect();
        let area = |i: &Item| self.shapes[i.shape].area();
        order.sort_by(|a, b| area(b).total_cmp(&area(a)).then(a.shape.cmp(&b.shape)));
        let mut lying: Vec<(Bounds, Vec<Point>)> = Vec::new();
        for item in order {
            let mut best: Option<(f64, f64, Vec<Point>)> = None;
            for &q in &item.quarters {
                let ring: Vec<Point> = self.shapes[item.shape].rings()[0]
                    .iter()
                    .map(|p| turned(*p, q))
                    .collect();
                if let Some(found) = leftmost(&ring, &lying) {
                    let key = |f: &(f64, f64, Vec<Point>)| (f.0, f.1);
                    if best.as_ref().is_none_or(|b| key(&found) < key(b)) {
                        best = Some(found);
                    }
                }
            }
            if let Some((.., ring)) = best {
                lying.push((Bounds::of(ring.iter().copied()), ring));
            }
        }
        lying.iter().map(|(b, _)| b.max.x).fold(0.0, f64::max)
    }
    /// What shapely says of a layout, in `tests/python/nesting_reference.py`: empty when nothing overlaps and all lies inside.
    pub fn complaints(&self, strip: &Strip) -> Result<String, String> {
        let rings = self.items.iter().zip(&strip.lying).map(|(item, lying)| {
            let rings = self.shapes[item.shape].rings().iter().map(|ring| {
                let corners = ring.iter().map(|p| turned(*p, lying.quarters) + lying.at);
                corners.map(|p| [p.x, p.y]).collect::<Vec<_>>()
            });
            rings.collect::<Vec<_>>()
        });
        let layout = json!({ "width": WIDTH_MM, "length": strip.length, "shapes": rings.collect::<Vec<_>>() });
        let mut child = python()
            .arg(root().join("tests/python/nesting_reference.py"))
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .spawn()
            .map_err(|e| e.to_string())?;
        if let Some(mut pipe) = child.stdin.take() {
            pipe.write_all(layout.to_string().as_bytes())
                .map_err(|e| e.to_string())?;
        }
        let ended = child.wait_with_output().map_err(|e| e.to_string())?;
        if !ended.status.success() {
            return Err(format!("nesting_reference.py ended with {}", ended.status));
        }
        Ok(String::from_utf8_lossy(&ended.stdout).into_owned())
    }
}

/// The place farthest left, then lowest, at which a ring overlaps nothing: its right end, its lower end, and the ring there.
fn leftmost(ring: &[Point], lying: &[(Bounds, Vec<Point>)]) -> Option<(f64, f64, Vec<Point>)> {
    let own = Bounds::of(ring.iter().copied());
    let mut places = vec![-own.min, point(-own.min.x, WIDTH_MM - own.max.y)];
    for (bounds, other) in lying {
        places.push(point(bounds.max.x - own.min.x, -own.min.y));
        places.push(point(bounds.max.x - own.min.x, WIDTH_MM - own.max.y));
        places.extend(other.iter().flat_map(|p| ring.iter().map(move |q| *p - *q)));
    }
    places.retain(|p| {
        own.min.x + p.x >= -1e-6 && own.min.y + p.y >= -1e-6 && own.max.y + p.y <= WIDTH_MM + 1e-6
    });
    places.sort_by(|a, b| a.x.total_cmp(&b.x).then(a.y.total_cmp(&b.y)));
    places.dedup_by(|a, b| a.distance(*b) < 1e-6);
    places.into_iter().find_map(|p| {
        let moved: Vec<Point> = ring.iter().map(|q| *q + p).collect();
        let bounds = Bounds::of(moved.iter().copied());
        let shape = PolySet(vec![vec![moved.clone()]]);
        let free = lying.iter().all(|(b, other)| {
            !b.touches(bounds.grown(-1e-6))
                || shape
                    .intersection(&PolySet(vec![vec![other.clone()]]))
                    .area()
                    < 1e-2
        });
        free.then_some((bounds.max.x, bounds.min.y, moved))
    })
}

/// Boards of 2,500 × 1,250 mm with a job of so many parts on them: rails, panels, brackets and tapered legs of a dozen sizes, `steps` of
/// the search for each.
pub fn job_of(parts: usize, steps: u64) -> Sheets {
    let (length, width) = (2500.0, 1250.0);
    let size = |k: usize| {
        (
            220.0 + 61.0 * (k * 7 % 12) as f64,
            60.0 + 23.0 * (k * 5 % 12) as f64,
        )
    };
    let shapes: Vec<Shape> = (0..12)
        .map(|k| {
            let (l, w) = size(k);
            let corners = match k % 3 {
                0 => vec![(0.0, 0.0), (l, 0.0), (l, w), (0.0, w)],
                1 => vec![
                    (0.0, 0.0),
                    (l, 0.0),
                    (l, 0.4 * w),
                    (0.3 * l, 0.4 * w),
                    (0.3 * l, w),
                    (0.0, w),
                ],
                _ => vec![(0.0, 0.0), (l, 0.3 * w), (l, 0.8 * w), (0.0, w)],
            };
            Shape::new(vec![
                corners.into_iter().map(|(x, y)| point(x, y)).collect(),
            ])
        })
        .collect();
    let pieces: Vec<Piece> = (0..parts)
        .map(|i| {
            let shape = i * 7 % 12;
            let way = |q: u8| {
                let b = shapes[shape].turned(q).bounds();
                let (min, max) = (point(30.0, 30.0), point(length - 30.0, width - 30.0));
                (
                    q,
                    Bounds {
                        min: min - b.min,
                        max: max - b.max,
                    },
                )
            };
            Piece {
                shape,
                ways: vec![vec![way(0), way(2)]],
            }
        })
        .collect();
    let kinds = [Kind {
        count: parts as u32,
        no_go: Vec::new(),
    }];
    sheets(
        &shapes,
        &kinds,
        &pieces,
        steps * parts as u64,
        &mut |_, _| true,
    )
}

/// The instances in a folder `shared/datasets/esicup` beside the project, by name; empty where there is none.
pub fn instances_beside() -> Vec<Instance> {
    let above = root();
    let mut beside = above
        .ancestors()
        .skip(1)
        .map(|a| a.join("shared/datasets/esicup"));
    let Some(folder) = beside.find(|p| p.is_dir()) else {
        return Vec::new();
    };
    let files = std::fs::read_dir(folder).into_iter().flatten().flatten();
    let mut paths: Vec<PathBuf> = files.map(|f| f.path()).collect();
    paths.sort();
    paths
        .iter()
        .filter_map(|p| Instance::read(&std::fs::read_to_string(p).ok()?))
        .collect()
}
