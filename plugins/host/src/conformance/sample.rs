//! A small work for the checks of stages.

use crate::programs::SAFE;
use grainway_geom::{Contour, Placing, Vertex, point};
use grainway_pipeline::doc::{Problem, ZZero, read_job, read_shop};
use grainway_pipeline::motion::{Move, SAFE_Z};
use grainway_pipeline::work::{
    Documents, Entry, Grain, Operation, Part, Placement, Setup, SetupKind, Source, StepRef,
    Variant, Work, Workingstep, ZFrame, sha256_hex,
};
use serde_json::json;

/// One board with one part cut from it, as it is before programs are written.
pub fn sample_work() -> Result<Work, String> {
    let mut work = Work::new(documents()?);
    let z = ZFrame {
        zero: ZZero::Bed,
        thinnest: 19.2,
        mean: 19.2,
        thickest: 19.2,
    };
    let corners = [(0.0, 0.0), (600.0, 0.0), (600.0, 60.0), (0.0, 60.0)];
    let outline = Contour {
        vertices: corners
            .iter()
            .map(|(x, y)| Vertex {
                at: point(*x, *y),
                bulge: 0.0,
            })
            .collect(),
        closed: true,
    };
    let around = work.blobs.put_moves(&around());
    work.parts.push(rail(outline.clone()));
    work.variants.push(Variant {
        id: "rail".into(),
        part: "rail".into(),
        side: Default::default(),
        turn: Default::default(),
        stock: "ash".into(),
        z,
        outline,
        dimensioned: false,
        features: Vec::new(),
        steps: vec![Workingstep {
            stage: "drill".to_string(),
            feature: "outline".into(),
            operation: Operation::Outline,
            cutter: "em6".into(),
            rpm: 18000.0,
            feed: 2000.0,
            plunge: 300.0,
            lowest: -0.3,
            moves: around,
            profile: None,
        }],
    });
    work.setups.push(board(z));
    Ok(work)
}

fn documents() -> Result<Documents, String> {
    let shop = json!({
        "format": "grainway.shop/1",
        "machines": { "router": {
            "dialect": "any", "travel": [1200, 800, 100], "z-zero": "bed", "max-feed": 4000, "max-plunge": 900, "rapid": 5000,
            "acceleration": 300, "min-rpm": 8000, "max-rpm": 24000, "spoilboard": 18
        } },
        "cutters": { "em6": { "kind": "end-mill", "number": 1, "diameter": 6, "cutting-length": 25, "max-rpm": 24000 } },
        "stocks": { "ash": { "wood": "ash", "thickness": [19.2], "boards": [{ "id": "a", "length": 1200, "width": 200 }] } }
    });
    let job = json!({
        "format": "grainway.job/1", "name": "Reading bench", "shop": "shop.json",
        "parts": [{ "id": "rail", "stock": "ash", "count": 1, "blank": { "length": 600, "width": 60 } }]
    });
    let words = |problems: Vec<Problem>| {
        let all: Vec<String> = problems.into_iter().map(|p| p.message).collect();
        all.join(" ")
    };
    Ok(Documents {
        job: read_job(job.to_string().as_bytes()).map_err(words)?,
        shop: read_shop(shop.to_string().as_bytes()).map_err(words)?,
        hash: sha256_hex(b"sample"),
        night: None,
    })
}

/// Once around the part, through the wood.
fn around() -> Vec<Move> {
    let corners = [
        (-3.0, -3.0),
        (603.0, -3.0),
        (603.0, 63.0),
        (-3.0, 63.0),
        (-3.0, -3.0),
    ];
    let mut moves = vec![
        Move::rapid(point(-3.0, -3.0).at_z(SAFE_Z)),
        Move::line(point(-3.0, -3.0).at_z(-0.3), 300.0),
    ];
    moves.extend(corners.map(|(x, y)| Move::line(point(x, y).at_z(-0.3), 2000.0)));
    moves
}

fn rail(outline: Contour) -> Part {
    Part {
        id: "rail".into(),
        name: None,
        mirrored: false,
        count: 1,
        stock: "ash".into(),
        grain: Grain::AlongX,
        outline,
        outline_relief: None,
        dimensioned: false,
        features: Vec::new(),
        outline_cutter: None,
        source: Source::default(),
        as_drawn: false,
    }
}

fn board(z: ZFrame) -> Setup {
    Setup {
        id: "board-1".into(),
        kind: SetupKind::Board,
        side: Default::default(),
        stock: "ash".into(),
        board: None,
        size: point(1200.0, 200.0),
        z,
        placements: vec![Placement {
            piece: "rail".into(),
            variant: "rail".into(),
            placing: Placing::shift(point(50.0, 40.0)),
            tabs: Vec::new(),
            waste: Vec::new(),
            tabbed: Vec::new(),
            replaced: Vec::new(),
            hold: Default::default(),
        }],
        holds: Vec::new(),
        safe_z: SAFE,
        own_steps: Vec::new(),
        order: vec![
            Entry::Cutter("em6".into()),
            Entry::Step(StepRef::Placed(0, 0)),
        ],
        repeats: 1,
        lines: None,
        touch_off: None,
    }
}
