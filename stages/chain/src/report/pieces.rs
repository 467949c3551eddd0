//! Pictures of finished pieces: line drawings from the left near side and from above, what is hidden left out.

use super::picture::{Anchor, Colour, FASTEN, INK, Mark, Picture};
use super::solid::Solid;
use grainway_geom::{Bounds, Contour, Point, point};
use grainway_pipeline::doc::Side;
use grainway_pipeline::work::{Part, Work};

/// Room between figures, as a share of the largest.
const GAP: f64 = 0.08;
/// Pieces that the setup sheet shows at most; all have files of their own.
const MOST_SHOWN: usize = 12;
/// Figures side by side on the sheet.
const A_ROW: usize = 3;

/// A drawing and the words under it.
pub(super) struct Figure {
    words: String,
    /// Contours that are filled and stroked together, in the order in which they are drawn.
    layers: Vec<Layer>,
    /// Short texts on it, each about its middle.
    labels: Vec<(Point, String)>,
    bounds: Bounds,
}

/// Contours of a figure that share fill and line.
pub(super) struct Layer {
    pub(super) contours: Vec<Contour>,
    pub(super) fill: Option<Colour>,
    /// Width of the line in millimetres of paper.
    pub(super) line: f64,
    pub(super) dashed: bool,
}

impl Figure {
    pub(super) fn new(words: String, layers: Vec<Layer>) -> Figure {
        let all = layers.iter().flat_map(|l| &l.contours);
        let bounds = all.fold(Bounds::EMPTY, |b, l| b.union(l.bounds()));
        Figure {
            words,
            layers,
            labels: Vec::new(),
            bounds,
        }
    }
    pub(super) fn with_labels(self, labels: Vec<(Point, String)>) -> Figure {
        Figure { labels, ..self }
    }
    /// As large as this box lets it be.
    pub(super) fn fitted(mut self, to: Point) -> Figure {
        let own = self.bounds;
        let by = (to.x / own.width()).min(to.y / own.height());
        if by.is_finite() {
            for v in self
                .layers
                .iter_mut()
                .flat_map(|l| &mut l.contours)
                .flat_map(|c| &mut c.vertices)
            {
                v.at = (v.at - own.min) * by;
            }
            self.bounds = Bounds::of([Point::default(), point(own.width(), own.height()) * by]);
        }
        self
    }
    fn of_solid(solid: &Solid, up: Side, words: String) -> Figure {
        let lines = Layer {
            contours: solid.lines(up),
            fill: None,
            line: 0.2,
            dashed: false,
        };
        Figure::new(words, vec![lines])
    }
}

/// A piece with its face up, turned over where anything is cut from its back or far edge, and turned about where anything is cut from its
/// right end.
pub(super) fn of_piece(work: &Work, part: &Part) -> Option<Picture> {
    Some(laid_out(named(part), figures(work, part)?, 2))
}

/// The job's finished pieces together, for the sheet; `None` where there is none.
pub(super) fn of_pieces(work: &Work) -> Option<Picture> {
    let all = work.parts.iter().take(MOST_SHOWN);
    let figures: Vec<Figure> = all.filter_map(|p| figures(work, p)).flatten().collect();
    (!figures.is_empty()).then(|| laid_out("Finished pieces".to_string(), figures, A_ROW))
}

pub(super) fn named(part: &Part) -> String {
    let name = part.name.as_deref().unwrap_or(&part.id);
    match part.mirrored && part.name.is_some() {
        true => format!("{name}, mirrored"),
        false => name.to_string(),
    }
}

fn figures(work: &Work, part: &Part) -> Option<Vec<Figure>> {
    let solid = Solid::of(work, part)?;
    let name = named(part);
    let (over, about) = (
        format!("{name}, turned over"),
        format!("{name}, turned about"),
    );
    let mut figures = vec![Figure::of_solid(&solid, Side::Face, name)];
    let cut_from = |sides: &[Side]| {
        let mut variants = work.variants.iter().filter(|v| v.part == part.id);
        variants.any(|v| sides.contains(&v.side))
    };
    // The near edge and the left end are seen with the face up.
    if cut_from(&[Side::Back, Side::Far]) {
        figures.push(Figure::of_solid(&solid, Side::Back, over));
    }
    if cut_from(&[Side::RightEnd]) {
        figures.push(Figure::of_solid(&solid, Side::RightEnd, about));
    }
    Some(figures)
}

/// Figures in rows, all to one scale.
pub(super) fn laid_out(title: String, figures: Vec<Figure>, a_row: usize) -> Picture {
    let widest = figures.iter().map(|f| f.bounds.width()).fold(0.0, f64::max);
    let highest = figures
        .iter()
        .map(|f| f.bounds.height())
        .fold(0.0, f64::max);
    let cell = point(widest, highest) * (1.0 + GAP);
    let columns = a_row.min(figures.len()).max(1);
    let rows = figures.len().div_ceil(columns).max(1);
    let inner = Bounds {
        min: point(0.0, -(rows as f64) * cell.y),
        max: point(columns as f64 * cell.x, 0.0),
    };
    let mut picture = Picture::new(title, inner);
    let lines = figures.iter().map(|f| f.words.lines().count()).max();
    let room = (2.0 + 4.0 * lines.unwrap_or(1) as f64) * picture.unit;
    picture.bounds.min.y -= rows as f64 * room;
    for (i, figure) in figures.into_iter().enumerate() {
        let (row, column) = ((i / columns) as f64, (i % columns) as f64);
        let corner = point(column * cell.x, -(row + 1.0) * cell.y - row * room);
        let aside = point((widest - figure.bounds.width()) / 2.0, 0.0);
        let by: Point = corner + aside - figure.bounds.min;
        for layer in figure.layers {
            picture.marks.push(Mark::Shape {
                contours: layer.contours.iter().map(|l| l.shifted(by)).collect(),
                fill: layer.fill,
                stroke: Some((INK, layer.line)),
                dashed: layer.dashed,
            });
        }
        for (at, text) in figure.labels {
            picture.marks.push(Mark::Text {
                at: at + by,
                size: 3.0,
                anchor: Anchor::Middle,
                colour: FASTEN,
                text,
            });
        }
        for (line, text) in figure.words.lines().enumerate() {
            let down = 4.0 * (line as f64 + 1.0);
            picture.marks.push(Mark::Text {
                at: corner + point(widest / 2.0, -down * picture.unit),
                size: 3.0,
                anchor: Anchor::Middle,
                colour: INK,
                text: text.to_string(),
            });
        }
    }
    picture
}
