//! The basic shapes.

use super::lengths::coordinate;
use super::path::{Path, Piece};
use super::path_data;
use grainway_geom::{Point, point};
use roxmltree::Node;
use std::f64::consts::{FRAC_PI_2, PI, TAU};
use svgtypes::PointsParser;

/// The runs of an element; `None` for an element that is no shape.
pub(super) fn shape(node: Node<'_, '_>, name: &str) -> Option<Result<Vec<Path>, String>> {
    Some(match name {
        "path" => path_data::runs(node.attribute("d").unwrap_or_default()),
        "line" => line(node),
        "polyline" => Ok(polyline(node, false)),
        "polygon" => Ok(polyline(node, true)),
        "rect" => rectangle(node),
        "circle" => ellipse(node, ["r", "r"]),
        "ellipse" => ellipse(node, ["rx", "ry"]),
        _ => return None,
    })
}

/// An attribute in user units; 0 when the element does not have it.
fn number(node: Node<'_, '_>, name: &str) -> Result<f64, String> {
    node.attribute(name).map_or(Ok(0.0), |text| {
        coordinate(text).ok_or_else(|| format!("has {name}=\"{text}\", which cannot be read"))
    })
}

fn numbers(node: Node<'_, '_>, names: [&str; 2]) -> Result<[f64; 2], String> {
    Ok([number(node, names[0])?, number(node, names[1])?])
}

fn line(node: Node<'_, '_>) -> Result<Vec<Path>, String> {
    let [x1, y1] = numbers(node, ["x1", "y1"])?;
    let [x2, y2] = numbers(node, ["x2", "y2"])?;
    Ok(vec![Path {
        pieces: vec![Piece::line(point(x1, y1), point(x2, y2))],
        closed: false,
    }])
}

fn polyline(node: Node<'_, '_>, closed: bool) -> Vec<Path> {
    let points: Vec<Point> = PointsParser::from(node.attribute("points").unwrap_or_default())
        .map(|(x, y)| point(x, y))
        .collect();
    let mut pieces: Vec<Piece> = points.windows(2).map(|w| Piece::line(w[0], w[1])).collect();
    if pieces.is_empty() {
        return Vec::new();
    }
    if closed {
        pieces.push(Piece::line(points[points.len() - 1], points[0]));
    }
    vec![Path { pieces, closed }]
}

fn rectangle(node: Node<'_, '_>) -> Result<Vec<Path>, String> {
    let [x, y] = numbers(node, ["x", "y"])?;
    let [w, h] = numbers(node, ["width", "height"])?;
    // One radius alone is that of both axes.
    let radius = |name: &str, other: &str| match node.has_attribute(name) {
        true => number(node, name),
        false => number(node, other),
    };
    let (rx, ry) = (radius("rx", "ry")?, radius("ry", "rx")?);
    if w <= 0.0 || h <= 0.0 {
        return Ok(Vec::new());
    }
    let (x1, y1) = (x + w, y + h);
    let (rx, ry) = (rx.clamp(0.0, w / 2.0), ry.clamp(0.0, h / 2.0));
    if rx <= 0.0 || ry <= 0.0 {
        let c = [point(x, y), point(x1, y), point(x1, y1), point(x, y1)];
        let sides = (0..4).map(|i| Piece::line(c[i], c[(i + 1) % 4]));
        return Ok(vec![Path::closed(sides.collect())]);
    }
    let corner =
        |x: f64, y: f64, from: f64| Piece::elliptical(point(x, y), [rx, ry], from, FRAC_PI_2);
    Ok(vec![Path::closed(vec![
        Piece::line(point(x + rx, y), point(x1 - rx, y)),
        corner(x1 - rx, y + ry, -FRAC_PI_2),
        Piece::line(point(x1, y + ry), point(x1, y1 - ry)),
        corner(x1 - rx, y1 - ry, 0.0),
        Piece::line(point(x1 - rx, y1), point(x + rx, y1)),
        corner(x + rx, y1 - ry, FRAC_PI_2),
        Piece::line(point(x, y1 - ry), point(x, y + ry)),
        corner(x + rx, y + ry, PI),
    ])])
}

fn ellipse(node: Node<'_, '_>, radii: [&str; 2]) -> Result<Vec<Path>, String> {
    let [cx, cy] = numbers(node, ["cx", "cy"])?;
    let radii = numbers(node, radii)?;
    if radii.iter().any(|r| *r <= 0.0) {
        return Ok(Vec::new());
    }
    let whole = Piece::elliptical(point(cx, cy), radii, 0.0, TAU);
    Ok(vec![Path::closed(vec![whole])])
}
