//! SVG: shapes and paths of the page, in physical size.
//!
//! The XML is read directly and not through a renderer, which would turn arcs into Bézier curves, round to 32 bits and drop
//! what is not painted. An element's layer is the `id` of the nearest group around it that has one, else its own `id`, else the
//! empty name. y is turned upwards. Definitions, clip paths, masks and patterns are no drawing by themselves; `use` draws what
//! it refers to.

use crate::curves::{Curve, follow};
use crate::entity::{Content, Entity, MOST_ENTITIES, Refusal, Run, What};
use crate::plane::Plane;
use grainway_geom::{Point, Segment, point};
use grainway_pipeline::doc::Unit;
use roxmltree::{Document, Node, ParsingOptions};
use std::f64::consts::{PI, TAU};
use std::sync::Arc;
use svgtypes::{LengthUnit, PathParser, PathSegment, PointsParser};

const SVG: &str = "http://www.w3.org/2000/svg";
const XLINK: &str = "http://www.w3.org/1999/xlink";
/// Millimetres in a CSS pixel: 1/96 in.
const PIXEL_MM: f64 = 25.4 / 96.0;
/// Elements inside elements deeper than this are refused.
const DEEPEST: usize = 200;
/// So many XML nodes are read at most.
const MOST_NODES: u32 = 4_000_000;

/// Reads a drawing. `job_unit` is what the job says of its unit.
pub fn read(bytes: &[u8], job_unit: Option<Unit>) -> Result<Content, Refusal> {
    let damaged = |why: String| Refusal::Damaged(why);
    let text = std::str::from_utf8(bytes)
        .map_err(|e| damaged(format!("it is not UTF-8 text at byte {}", e.valid_up_to())))?;
    if deepest(text) > DEEPEST {
        return Err(damaged(format!(
            "its elements lie more than {DEEPEST} deep in one another"
        )));
    }
    let options = ParsingOptions {
        allow_dtd: true,
        nodes_limit: MOST_NODES,
        ..ParsingOptions::default()
    };
    let document = Document::parse_with_options(text, options)
        .map_err(|e| damaged(format!("it is not XML: {e}")))?;
    let root = document.root_element();
    if root.tag_name().name() != "svg" {
        return Err(damaged(format!(
            "its root element is {}, not svg",
            root.tag_name().name()
        )));
    }
    let page = page(root, job_unit)?;
    let mut walk = Walk {
        document: &document,
        out: Vec::new(),
        used: Vec::new(),
        overflow: false,
    };
    let frame = Frame {
        plane: page.plane,
        layer: None,
        hidden: None,
        depth: 0,
    };
    for child in root.children() {
        walk.element(child, &frame);
    }
    if walk.overflow {
        return Err(damaged(format!(
            "it holds more than {MOST_ENTITIES} shapes"
        )));
    }
    let mut remarks = Vec::new();
    let styles = document
        .descendants()
        .filter(|n| n.is_element() && n.tag_name().name() == "style");
    let text_of = |n: Node<'_, '_>| n.text().unwrap_or_default().to_string();
    if styles
        .map(text_of)
        .any(|s| s.contains("transform") || s.contains("display"))
    {
        remarks.push(
            "Its style sheet moves or hides elements, which is not read; write it on the elements."
                .to_string(),
        );
    }
    Ok(Content {
        entities: walk.out,
        unit_mm: page.unit_mm,
        remarks,
    })
}

/// How deep tags nest, counted without parsing, since the parser goes down by recursion.
fn deepest(text: &str) -> usize {
    let bytes = text.as_bytes();
    let (mut depth, mut most) = (0_usize, 0);
    let mut i = 0;
    while i < bytes.len() {
        if bytes[i] != b'<' {
            i += 1;
            continue;
        }
        let rest = &text.as_bytes()[i..];
        let skip = |end: &[u8]| {
            rest.windows(end.len())
                .position(|w| w == end)
                .map_or(rest.len(), |p| p + end.len())
        };
        if rest.starts_with(b"<!--") {
            i += skip(b"-->");
        } else if rest.starts_with(b"<![CDATA[") {
            i += skip(b"]]>");
        } else {
            let end = skip(b">");
            if rest.starts_with(b"</") {
                depth = depth.saturating_sub(1);
            } else if !rest.starts_with(b"<?")
                && !rest.starts_with(b"<!")
                && !rest[..end].ends_with(b"/>")
            {
                depth += 1;
                most = most.max(depth);
            }
            i += end;
        }
    }
    most
}

// --- The page ----------------------------------------------------------------------------------------------------------------------

struct Page {
    /// From user units to millimetres, y upwards.
    plane: Plane,
    /// Millimetres in the unit that layer names count in.
    unit_mm: f64,
}

/// A length as written: its number and the millimetres of its unit (`None` for a bare number). `Err` for what is no length here.
fn length(text: &str) -> Option<(f64, Option<f64>)> {
    let l: svgtypes::Length = text.trim().parse().ok()?;
    let unit = match l.unit {
        LengthUnit::None => None,
        LengthUnit::Px => Some(PIXEL_MM),
        LengthUnit::Mm => Some(1.0),
        LengthUnit::Cm => Some(10.0),
        LengthUnit::In => Some(25.4),
        LengthUnit::Pt => Some(25.4 / 72.0),
        LengthUnit::Pc => Some(25.4 / 6.0),
        LengthUnit::Em | LengthUnit::Ex | LengthUnit::Percent => return None,
    };
    l.number.is_finite().then_some((l.number, unit))
}

fn page(root: Node<'_, '_>, job: Option<Unit>) -> Result<Page, Refusal> {
    let side = |name: &str| {
        root.attribute(name)
            .and_then(length)
            .filter(|(n, _)| *n > 0.0)
    };
    let (width, height) = (side("width"), side("height"));
    let view = match root.attribute("viewBox") {
        Some(text) => {
            let v: svgtypes::ViewBox = text
                .parse()
                .map_err(|_| Refusal::Damaged(format!("its viewBox \"{text}\" cannot be read")))?;
            Some(v)
        }
        None => None,
    };
    // A bare number counts as pixels, unless the job says what the numbers are.
    let unit = match (width.and_then(|w| w.1).or(height.and_then(|h| h.1)), job) {
        (Some(mm), Some(u)) if (mm - u.mm()).abs() > 1e-9 => {
            return Err(Refusal::Unit(format!(
                "The drawing's width and height say that its unit is {} mm long, the job says {}.",
                (mm * 1e6).round() / 1e6,
                u.word()
            )));
        }
        (Some(mm), _) => mm,
        (None, Some(u)) => u.mm(),
        (None, None) if width.is_some() || height.is_some() => PIXEL_MM,
        (None, None) => {
            return Err(Refusal::Unit("The drawing gives no width and height with a unit, and the job does not say its unit.".to_string()));
        }
    };
    let mm = |side: Option<(f64, Option<f64>)>| side.map(|(n, u)| n * u.unwrap_or(unit));
    let (width, height) = (mm(width), mm(height));
    let scale = |sx: f64, sy: f64, x0: f64, y0: f64, high: f64| Page {
        plane: Plane {
            x: point(sx, 0.0),
            y: point(0.0, -sy),
            origin: point(-x0 * sx, high + y0 * sy),
        },
        unit_mm: unit,
    };
    let Some(v) = view else {
        // Without a viewBox, user units are pixels where the page has a size, else what the job says.
        let user = if width.is_some() || height.is_some() {
            bare_user_unit(job, root)
        } else {
            unit
        };
        return Ok(scale(user, user, 0.0, 0.0, height.unwrap_or(0.0)));
    };
    Ok(match (width, height) {
        (None, None) => scale(unit, unit, v.x, v.y, v.h * unit),
        (Some(w), None) => scale(w / v.w, w / v.w, v.x, v.y, v.h * w / v.w),
        (None, Some(h)) => scale(h / v.h, h / v.h, v.x, v.y, h),
        (Some(w), Some(h)) => {
            let (sx, sy) = (w / v.w, h / v.h);
            let ratio: Option<svgtypes::AspectRatio> = root
                .attribute("preserveAspectRatio")
                .and_then(|t| t.parse().ok());
            match ratio {
                Some(r) if r.align == svgtypes::Align::None => scale(sx, sy, v.x, v.y, h),
                Some(r) if r.slice => scale(sx.max(sy), sx.max(sy), v.x, v.y, h),
                // Where the shape is set in the middle of a larger page does not matter here: only sizes do.
                _ => scale(sx.min(sy), sx.min(sy), v.x, v.y, h),
            }
        }
    })
}

/// The length of a user unit on a page that has a size and no viewBox.
fn bare_user_unit(job: Option<Unit>, root: Node<'_, '_>) -> f64 {
    let named = root
        .attribute("width")
        .and_then(length)
        .and_then(|l| l.1)
        .is_some();
    match job {
        Some(unit) if !named => unit.mm(),
        _ => PIXEL_MM,
    }
}

// --- Elements ------------------------------------------------------------------------------------------------------------------------

#[derive(Clone)]
struct Frame {
    plane: Plane,
    layer: Option<Arc<str>>,
    hidden: Option<&'static str>,
    depth: usize,
}

struct Walk<'d> {
    document: &'d Document<'d>,
    out: Vec<Entity>,
    /// Ids that `use` is drawing.
    used: Vec<String>,
    overflow: bool,
}

/// A property from the style attribute, else the attribute of its name.
fn property<'a>(node: Node<'a, '_>, name: &str) -> Option<&'a str> {
    let style = node.attribute("style").unwrap_or_default();
    let in_style = style
        .split(';')
        .filter_map(|d| d.split_once(':'))
        .find(|(k, _)| k.trim() == name);
    in_style
        .map(|(_, v)| v.trim())
        .or_else(|| node.attribute(name))
}

/// `outer` after a plane's own map.
fn after(outer: &Plane, inner: &Plane) -> Plane {
    Plane {
        x: outer.vector(inner.x),
        y: outer.vector(inner.y),
        origin: outer.point(inner.origin),
    }
}

fn shift(by: Point) -> Plane {
    Plane {
        x: point(1.0, 0.0),
        y: point(0.0, 1.0),
        origin: by,
    }
}

impl Walk<'_> {
    fn element(&mut self, node: Node<'_, '_>, outer: &Frame) {
        if !node.is_element() || !matches!(node.tag_name().namespace(), Some(SVG) | None) {
            return;
        }
        if self.out.len() >= MOST_ENTITIES {
            self.overflow = true;
            return;
        }
        let name = node.tag_name().name();
        let mut frame = outer.clone();
        frame.depth += 1;
        if property(node, "display") == Some("none")
            || matches!(property(node, "visibility"), Some("hidden" | "collapse"))
        {
            frame.hidden = Some("not shown");
        }
        let moved = match node
            .attribute("transform")
            .map(str::parse::<svgtypes::Transform>)
        {
            Some(Ok(t)) => {
                let own = Plane {
                    x: point(t.a, t.b),
                    y: point(t.c, t.d),
                    origin: point(t.e, t.f),
                };
                frame.plane = after(&outer.plane, &own);
                Ok(())
            }
            Some(Err(_)) => Err("has a transform that cannot be read".to_string()),
            None if property(node, "transform").is_some() => {
                Err("has a transform in its style, which is not read".to_string())
            }
            None => Ok(()),
        };
        let refused = match (&moved, frame.depth > DEEPEST) {
            (Err(why), _) => Some(why.clone()),
            (_, true) => Some("lies too deep in other elements".to_string()),
            _ if frame.plane.x.cross(frame.plane.y).abs() < 1e-18 => {
                Some("is scaled to nothing".to_string())
            }
            _ => None,
        };
        match name {
            "defs" | "symbol" | "clipPath" | "mask" | "pattern" | "marker" | "linearGradient"
            | "radialGradient" | "filter" | "style" | "title" | "desc" | "metadata" | "script"
            | "view" | "animate" | "animateTransform" | "set" => {}
            _ if refused.is_some() => {
                let why = refused.unwrap_or_default();
                self.push(node, &frame, What::Broken(why));
            }
            "g" | "a" | "switch" => {
                if let Some(id) = node.attribute("id").filter(|_| name == "g") {
                    frame.layer = Some(id.into());
                }
                for child in node.children() {
                    self.element(child, &frame);
                }
            }
            "use" => self.use_element(node, &frame),
            "svg" => self.push(
                node,
                &frame,
                What::Broken("is a page inside the page, which is not read".to_string()),
            ),
            "text" | "tspan" | "textPath" => {
                self.push(node, &frame, What::Other("is a text".to_string()))
            }
            "image" => self.push(node, &frame, What::Other("is a picture".to_string())),
            _ => match shape(node, name) {
                Some(Ok(paths)) => {
                    if paths.is_empty() {
                        self.push(node, &frame, What::Other("has no length".to_string()));
                    }
                    for path in paths {
                        let what = path.seen_from(&frame.plane);
                        self.push(node, &frame, what);
                    }
                }
                Some(Err(why)) => self.push(node, &frame, What::Broken(why)),
                None => self.push(
                    node,
                    &frame,
                    What::Other("is of a type that is not read".to_string()),
                ),
            },
        }
    }

    fn push(&mut self, node: Node<'_, '_>, frame: &Frame, what: What) {
        let layer = frame
            .layer
            .clone()
            .unwrap_or_else(|| node.attribute("id").unwrap_or_default().into());
        let number = |a: &str| node.attribute(a).and_then(coordinate).unwrap_or(0.0);
        let at = match &what {
            What::Run(run) => run.segments.first().map(Segment::start),
            _ => Some(frame.plane.point(point(number("x"), number("y")))),
        };
        self.out.push(Entity {
            kind: node.tag_name().name().into(),
            layer,
            around: Vec::new(),
            hidden: frame.hidden,
            at: at.filter(|p| p.is_finite()),
            what,
        });
    }

    fn use_element(&mut self, node: Node<'_, '_>, frame: &Frame) {
        let href = node
            .attribute("href")
            .or_else(|| node.attribute((XLINK, "href")));
        let id = href
            .and_then(|h| h.trim().strip_prefix('#'))
            .unwrap_or_default()
            .to_string();
        let document = self.document;
        let target = document
            .descendants()
            .find(|n| n.is_element() && n.attribute("id") == Some(id.as_str()) && !id.is_empty());
        let number = |a: &str| node.attribute(a).map_or(Some(0.0), coordinate);
        let (Some(target), Some(x), Some(y)) = (target, number("x"), number("y")) else {
            return self.push(
                node,
                frame,
                What::Broken("refers to nothing in the drawing".to_string()),
            );
        };
        if self.used.contains(&id) {
            return self.push(
                node,
                frame,
                What::Broken(format!("draws {id} inside itself")),
            );
        }
        if self.used.len() >= DEEPEST {
            return self.push(
                node,
                frame,
                What::Broken("lies too deep in other elements".to_string()),
            );
        }
        let mut inner = frame.clone();
        inner.plane = after(&frame.plane, &shift(point(x, y)));
        self.used.push(id);
        if target.tag_name().name() == "symbol" {
            if target.attribute("viewBox").is_some() {
                self.push(
                    node,
                    frame,
                    What::Broken(
                        "draws a symbol with a view of its own, which is not read".to_string(),
                    ),
                );
            } else {
                for child in target.children() {
                    self.element(child, &inner);
                }
            }
        } else {
            self.element(target, &inner);
        }
        self.used.pop();
    }
}

/// A coordinate or size of an element in user units.
fn coordinate(text: &str) -> Option<f64> {
    // Absolute units on an element count 96 user units an inch, whatever the page's own scale.
    length(text).map(|(n, unit)| unit.map_or(n, |mm| n * mm / PIXEL_MM))
}

// --- Shapes --------------------------------------------------------------------------------------------------------------------------

enum Piece {
    Straight(Segment),
    Curved(Curve),
}

/// One run of a shape in user units.
#[derive(Default)]
struct Path {
    pieces: Vec<Piece>,
    closed: bool,
}

impl Path {
    fn seen_from(&self, plane: &Plane) -> What {
        let mut segments = Vec::new();
        for piece in &self.pieces {
            match piece {
                Piece::Straight(s) => segments.extend(plane.segments(std::slice::from_ref(s))),
                Piece::Curved(c) => segments.extend(follow(&[mapped(c, plane)])),
            }
        }
        segments.retain(|s| s.length() > 0.0 || !s.start().is_finite());
        Run::checked(crate::curves::merge_equal(segments), self.closed)
    }
}

fn mapped(curve: &Curve, plane: &Plane) -> Curve {
    match curve {
        Curve::Ellipse {
            centre,
            u,
            v,
            from,
            sweep,
        } => Curve::Ellipse {
            centre: plane.point(*centre),
            u: plane.vector(*u),
            v: plane.vector(*v),
            from: *from,
            sweep: *sweep,
        },
        Curve::Bezier(control) => Curve::Bezier(
            control
                .iter()
                .map(|[x, y, w]| {
                    let p = plane.vector(point(*x, *y)) + plane.origin * *w;
                    [p.x, p.y, *w]
                })
                .collect(),
        ),
    }
}

/// The runs of an element; `None` for an element that is no shape.
fn shape(node: Node<'_, '_>, name: &str) -> Option<Result<Vec<Path>, String>> {
    let number = |a: &str, default: f64| match node.attribute(a) {
        None => Ok(default),
        Some(t) => coordinate(t).ok_or_else(|| format!("has {a}=\"{t}\", which cannot be read")),
    };
    let line = |a: Point, b: Point| Piece::Straight(Segment::Line { a, b });
    Some(match name {
        "path" => path(node.attribute("d").unwrap_or_default()),
        "line" => (|| {
            let (a, b) = (
                point(number("x1", 0.0)?, number("y1", 0.0)?),
                point(number("x2", 0.0)?, number("y2", 0.0)?),
            );
            Ok(vec![Path {
                pieces: vec![line(a, b)],
                closed: false,
            }])
        })(),
        "polyline" | "polygon" => {
            let points: Vec<Point> =
                PointsParser::from(node.attribute("points").unwrap_or_default())
                    .map(|(x, y)| point(x, y))
                    .collect();
            let mut pieces: Vec<Piece> = points.windows(2).map(|w| line(w[0], w[1])).collect();
            let closed = name == "polygon";
            if let (true, Some(first), Some(last)) =
                (closed && points.len() > 1, points.first(), points.last())
            {
                pieces.push(line(*last, *first));
            }
            Ok(if pieces.is_empty() {
                Vec::new()
            } else {
                vec![Path { pieces, closed }]
            })
        }
        "rect" => (|| {
            let (x, y, w, h) = (
                number("x", 0.0)?,
                number("y", 0.0)?,
                number("width", 0.0)?,
                number("height", 0.0)?,
            );
            let given = |a: &str| {
                Ok::<_, String>(if node.has_attribute(a) {
                    Some(number(a, 0.0)?)
                } else {
                    None
                })
            };
            let (rx, ry) = match (given("rx")?, given("ry")?) {
                (None, None) => (0.0, 0.0),
                (Some(r), None) | (None, Some(r)) => (r, r),
                (Some(rx), Some(ry)) => (rx, ry),
            };
            if w <= 0.0 || h <= 0.0 {
                return Ok(Vec::new());
            }
            Ok(vec![rectangle(
                x,
                y,
                w,
                h,
                rx.clamp(0.0, w / 2.0),
                ry.clamp(0.0, h / 2.0),
            )])
        })(),
        "circle" | "ellipse" => (|| {
            let centre = point(number("cx", 0.0)?, number("cy", 0.0)?);
            let (rx, ry) = if name == "circle" {
                let r = number("r", 0.0)?;
                (r, r)
            } else {
                (number("rx", 0.0)?, number("ry", 0.0)?)
            };
            if rx <= 0.0 || ry <= 0.0 {
                return Ok(Vec::new());
            }
            let whole = if (rx - ry).abs() <= 0.0 {
                Piece::Straight(Segment::arc_about(centre, centre + point(rx, 0.0), TAU))
            } else {
                Piece::Curved(Curve::Ellipse {
                    centre,
                    u: point(rx, 0.0),
                    v: point(0.0, ry),
                    from: 0.0,
                    sweep: TAU,
                })
            };
            Ok(vec![Path {
                pieces: vec![whole],
                closed: true,
            }])
        })(),
        _ => return None,
    })
}

fn rectangle(x: f64, y: f64, w: f64, h: f64, rx: f64, ry: f64) -> Path {
    let line = |a: Point, b: Point| Piece::Straight(Segment::Line { a, b });
    let (x1, y1) = (x + w, y + h);
    if rx <= 0.0 || ry <= 0.0 {
        let c = [point(x, y), point(x1, y), point(x1, y1), point(x, y1)];
        return Path {
            pieces: (0..4).map(|i| line(c[i], c[(i + 1) % 4])).collect(),
            closed: true,
        };
    }
    let corner = |centre: Point, from: f64| {
        let quarter = PI / 2.0;
        if (rx - ry).abs() <= 0.0 {
            Piece::Straight(Segment::arc_about(
                centre,
                centre + Point::unit(from) * rx,
                quarter,
            ))
        } else {
            Piece::Curved(Curve::Ellipse {
                centre,
                u: point(rx, 0.0),
                v: point(0.0, ry),
                from,
                sweep: quarter,
            })
        }
    };
    let pieces = vec![
        line(point(x + rx, y), point(x1 - rx, y)),
        corner(point(x1 - rx, y + ry), -PI / 2.0),
        line(point(x1, y + ry), point(x1, y1 - ry)),
        corner(point(x1 - rx, y1 - ry), 0.0),
        line(point(x1 - rx, y1), point(x + rx, y1)),
        corner(point(x + rx, y1 - ry), PI / 2.0),
        line(point(x, y1 - ry), point(x, y + ry)),
        corner(point(x + rx, y + ry), PI),
    ];
    Path {
        pieces,
        closed: true,
    }
}

/// The runs of path data.
fn path(data: &str) -> Result<Vec<Path>, String> {
    let mut out: Vec<Path> = Vec::new();
    let mut now = Path::default();
    let (mut at, mut start) = (Point::default(), Point::default());
    // The control point that a smooth curve reflects: (of a cubic, of a quadratic).
    let (mut cubic, mut quadratic): (Option<Point>, Option<Point>) = (None, None);
    for segment in PathParser::from(data) {
        let segment = segment.map_err(|e| format!("has path data that cannot be read: {e}"))?;
        let base = if segment.is_abs() {
            Point::default()
        } else {
            at
        };
        let (mut next_cubic, mut next_quadratic) = (None, None);
        let curve = |now: &mut Path, control: &[Point]| {
            now.pieces.push(Piece::Curved(Curve::bezier(control)))
        };
        let to = match segment {
            PathSegment::MoveTo { x, y, .. } => {
                out.push(std::mem::take(&mut now));
                start = base + point(x, y);
                start
            }
            PathSegment::ClosePath { .. } => {
                if at.distance(start) > 0.0 {
                    now.pieces
                        .push(Piece::Straight(Segment::Line { a: at, b: start }));
                }
                now.closed = true;
                out.push(std::mem::take(&mut now));
                start
            }
            PathSegment::LineTo { x, y, .. } => base + point(x, y),
            PathSegment::HorizontalLineTo { x, .. } => point(base.x + x, at.y),
            PathSegment::VerticalLineTo { y, .. } => point(at.x, base.y + y),
            PathSegment::CurveTo {
                x1,
                y1,
                x2,
                y2,
                x,
                y,
                ..
            } => {
                let (c1, c2, to) = (
                    base + point(x1, y1),
                    base + point(x2, y2),
                    base + point(x, y),
                );
                curve(&mut now, &[at, c1, c2, to]);
                next_cubic = Some(c2);
                to
            }
            PathSegment::SmoothCurveTo { x2, y2, x, y, .. } => {
                let c1 = cubic.map_or(at, |c| at * 2.0 - c);
                let (c2, to) = (base + point(x2, y2), base + point(x, y));
                curve(&mut now, &[at, c1, c2, to]);
                next_cubic = Some(c2);
                to
            }
            PathSegment::Quadratic { x1, y1, x, y, .. } => {
                let (c, to) = (base + point(x1, y1), base + point(x, y));
                curve(&mut now, &[at, c, to]);
                next_quadratic = Some(c);
                to
            }
            PathSegment::SmoothQuadratic { x, y, .. } => {
                let c = quadratic.map_or(at, |c| at * 2.0 - c);
                let to = base + point(x, y);
                curve(&mut now, &[at, c, to]);
                next_quadratic = Some(c);
                to
            }
            PathSegment::EllipticalArc {
                rx,
                ry,
                x_axis_rotation,
                large_arc,
                sweep,
                x,
                y,
                ..
            } => {
                let to = base + point(x, y);
                if let Some(piece) = arc(
                    at,
                    to,
                    [rx, ry],
                    x_axis_rotation.to_radians(),
                    large_arc,
                    sweep,
                ) {
                    now.pieces.push(piece);
                }
                to
            }
        };
        if matches!(
            segment,
            PathSegment::LineTo { .. }
                | PathSegment::HorizontalLineTo { .. }
                | PathSegment::VerticalLineTo { .. }
        ) && at.distance(to) > 0.0
        {
            now.pieces
                .push(Piece::Straight(Segment::Line { a: at, b: to }));
        }
        (at, cubic, quadratic) = (to, next_cubic, next_quadratic);
    }
    out.push(now);
    out.retain(|p| !p.pieces.is_empty());
    Ok(out)
}

/// An elliptical arc from its end points (SVG 2, appendix B.2.4). `None` when it has no length.
fn arc(a: Point, b: Point, radii: [f64; 2], turn: f64, large: bool, sweep: bool) -> Option<Piece> {
    let straight = Piece::Straight(Segment::Line { a, b });
    if a.distance(b) <= 0.0 {
        return None;
    }
    let [mut rx, mut ry] = radii.map(f64::abs);
    if rx <= 0.0 || ry <= 0.0 {
        return Some(straight);
    }
    let half = ((a - b) * 0.5).rotated(-turn);
    let too_small = (half.x / rx).powi(2) + (half.y / ry).powi(2);
    if too_small > 1.0 {
        rx *= too_small.sqrt();
        ry *= too_small.sqrt();
    }
    let (x2, y2) = (half.x * half.x, half.y * half.y);
    let under = (rx * rx * ry * ry - rx * rx * y2 - ry * ry * x2) / (rx * rx * y2 + ry * ry * x2);
    let k = under.max(0.0).sqrt() * if large == sweep { -1.0 } else { 1.0 };
    let centre_own = point(k * rx * half.y / ry, -k * ry * half.x / rx);
    let centre = centre_own.rotated(turn) + a.lerp(b, 0.5);
    let angle = |p: Point| (p.y / ry).atan2(p.x / rx);
    let from = angle(half - centre_own);
    let to = angle(-half - centre_own);
    let mut swept = (to - from).rem_euclid(TAU);
    if !sweep {
        swept -= TAU;
    }
    if swept.abs() < 1e-12 {
        return Some(straight);
    }
    Some(if (rx - ry).abs() <= 1e-9 * rx {
        Piece::Straight(Segment::from_bulge(a, b, (swept / 4.0).tan()))
    } else {
        Piece::Curved(Curve::Ellipse {
            centre,
            u: point(rx, 0.0).rotated(turn),
            v: point(0.0, ry).rotated(turn),
            from,
            sweep: swept,
        })
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use grainway_geom::Contour;
    use grainway_pipeline::tolerance::IMPORT_MM;

    fn entities(svg: &str, unit: Option<Unit>) -> Vec<Entity> {
        read(svg.as_bytes(), unit).unwrap().entities
    }

    fn page_of(inner: &str) -> String {
        format!(
            r#"<svg xmlns="http://www.w3.org/2000/svg" width="200mm" height="100mm" viewBox="0 0 200 100">{inner}</svg>"#
        )
    }

    fn contour(e: &Entity) -> Contour {
        let What::Run(run) = &e.what else {
            panic!("{e:?}")
        };
        Contour::from_segments(&run.segments, run.closed).without_repeats(1e-9)
    }

    #[test]
    fn physical_size() {
        let micro = |v: f64| (v * 1e6).round() as i64;
        let rect = |head: &str, unit: Option<Unit>| {
            let svg = format!(
                r#"<svg xmlns="http://www.w3.org/2000/svg" {head}><rect id="r" x="10" y="20" width="30" height="40"/></svg>"#
            );
            read(svg.as_bytes(), unit).map(|c| {
                let b = contour(&c.entities[0]).bounds();
                [b.min.x, b.min.y, b.max.x, b.max.y].map(micro)
            })
        };
        // CSS Values 4, section 6.2: 1in = 2.54cm = 96px, 1pt = 1/72in, 1pc = 1/6in.
        assert_eq!(
            rect(
                r#"width="100mm" height="100mm" viewBox="0 0 100 100""#,
                None
            )
            .unwrap(),
            [10.0, 40.0, 40.0, 80.0].map(micro)
        );
        assert_eq!(
            rect(
                r#"width="100mm" height="100mm" viewBox="0 0 200 200""#,
                None
            )
            .unwrap(),
            [5.0, 70.0, 20.0, 90.0].map(micro)
        );
        assert_eq!(
            rect(r#"width="4in" height="4in" viewBox="0 0 96 96""#, None).unwrap(),
            [10.583333, 38.1, 42.333333, 80.433333].map(micro)
        );
        assert_eq!(
            rect(r#"width="96px" height="96px""#, None).unwrap(),
            [2.645833, 9.525, 10.583333, 20.108333].map(micro)
        );
        assert_eq!(
            rect(r#"width="96" height="96""#, None).unwrap(),
            [2.645833, 9.525, 10.583333, 20.108333].map(micro)
        );
        assert_eq!(
            rect(r#"width="96" height="96""#, Some(Unit::Mm)).unwrap(),
            [10.0, 36.0, 40.0, 76.0].map(micro)
        );
        assert_eq!(
            rect(r#"viewBox="0 0 100 100""#, Some(Unit::Inch)).unwrap(),
            [254.0, 1016.0, 1016.0, 2032.0].map(micro)
        );
        assert_eq!(
            rect(
                r#"width="100%" height="100%" viewBox="5 5 100 100""#,
                Some(Unit::Mm)
            )
            .unwrap(),
            [5.0, 45.0, 35.0, 85.0].map(micro)
        );
        assert_eq!(
            rect(r#"width="1in" height="1in" viewBox="0 0 72 72""#, None).unwrap()[0],
            micro(3.527778)
        );
        assert!(matches!(
            rect(r#"viewBox="0 0 100 100""#, None),
            Err(Refusal::Unit(_))
        ));
        assert!(matches!(
            rect(r#"width="100mm" height="100mm""#, Some(Unit::Inch)),
            Err(Refusal::Unit(_))
        ));
    }

    #[test]
    fn path_arcs_and_circles_are_true_arcs() {
        let found = entities(
            &page_of(
                r#"<g id="a"><circle cx="20" cy="30" r="8"/>
                <path d="M 60 50 A 10 10 0 0 1 80 50 A 10 10 0 0 1 60 50 Z"/>
                <path d="M 100 50 a 10 10 0 1 0 20 0 a 10 10 0 1 0 -20 0 z"/>
                <rect x="130" y="10" width="30" height="20" rx="5"/></g>"#,
            ),
            None,
        );
        assert!(found.iter().all(|e| e.layer.as_ref() == "a"));
        for (e, area) in
            found
                .iter()
                .zip([PI * 64.0, PI * 100.0, PI * 100.0, 600.0 - (4.0 - PI) * 25.0])
        {
            let c = contour(e);
            assert!((c.area().abs() - area).abs() < 1e-6, "{} {area}", c.area());
            assert!(c.closed && c.vertices.len() <= 8);
        }
        assert!(
            contour(&found[1])
                .as_circle(IMPORT_MM)
                .unwrap()
                .0
                .distance(point(70.0, 50.0))
                < 1e-9
        );
    }

    #[test]
    fn bezier_circles_come_back_as_circles() {
        // The usual four cubics with handles of 0.5522847498 r: off a circle by 0.00027 r (calculation), 0.003 mm here.
        let k = 0.552_284_749_8 * 10.0;
        let d = format!(
            "M 60 50 C 60 {0} {1} 60 50 60 S 40 {0} 40 50 S {2} 40 50 40 S 60 {3} 60 50 Z",
            50.0 + k,
            50.0 + k,
            50.0 - k,
            50.0 - k
        );
        let found = entities(&page_of(&format!(r#"<path id="p" d="{d}"/>"#)), None);
        let (centre, diameter) = contour(&found[0]).as_circle(IMPORT_MM).unwrap();
        assert!(centre.distance(point(50.0, 50.0)) < 1e-6 && (diameter - 20.0).abs() < 1e-6);
    }

    #[test]
    fn transforms_layers_use_and_what_is_not_cut() {
        let found = entities(
            &page_of(
                r##"<defs><g id="plate"><rect width="10" height="5"/></g></defs>
                <g id="outer" transform="translate(10 10)"><g><path d="M0 0 h10 v5 h-10 z m20 0 l5 5"/></g>
                  <g id="inner" transform="scale(2 1) rotate(90)"><circle cx="5" cy="5" r="2"/></g></g>
                <use href="#plate" x="100" y="50"/>
                <line id="loose" x1="0" y1="0" x2="1in" y2="0"/>
                <g id="notes"><text x="5" y="6">note</text><image/></g>
                <g display="none"><circle r="4"/></g><path style="display:none" d="M0 0 L 5 5"/>
                <ellipse rx="10" ry="5" cx="50" cy="50"/><polygon points="0,0 10,0 5,8"/>"##,
            ),
            None,
        );
        let summary: Vec<(String, String)> = found
            .iter()
            .map(|e| (e.kind.to_string(), e.layer.to_string()))
            .collect();
        let expected = [
            ("path", "outer"),
            ("path", "outer"),
            ("circle", "inner"),
            ("rect", "plate"),
            ("line", "loose"),
            ("text", "notes"),
            ("image", "notes"),
            ("circle", ""),
            ("path", ""),
            ("ellipse", ""),
            ("polygon", ""),
        ];
        assert_eq!(
            summary,
            expected.map(|(a, b)| (a.to_string(), b.to_string()))
        );
        assert!((contour(&found[0]).area().abs() - 50.0).abs() < 1e-9);
        // scale(2 1) makes the circle an ellipse of 4 and 2: area 8π, within the tolerance along its edge of 19.4 mm.
        assert!((contour(&found[2]).area().abs() - 8.0 * PI).abs() < 19.4 * 0.01);
        let b = contour(&found[3]).bounds();
        assert!(
            b.min.distance(point(100.0, 45.0)) < 1e-9 && b.max.distance(point(110.0, 50.0)) < 1e-9
        );
        // An inch on an element is 96 user units.
        assert!((contour(&found[4]).length() - 96.0).abs() < 1e-9);
        assert!(
            found[7].hidden.is_some() && found[8].hidden.is_some() && found[6].hidden.is_none()
        );
        assert!((contour(&found[9]).area().abs() - 50.0 * PI).abs() < 0.5);
    }

    #[test]
    fn damaged_files_are_sentences() {
        for bad in [
            "",
            "no xml",
            "<svg",
            "<svg xmlns='http://www.w3.org/2000/svg' width='1mm'><g></svg>",
            "<html/>",
            "<svg xmlns='http://www.w3.org/2000/svg' viewBox='0 0 1'/>",
        ] {
            assert!(
                matches!(
                    read(bad.as_bytes(), Some(Unit::Mm)),
                    Err(Refusal::Damaged(_))
                ),
                "{bad}"
            );
        }
        assert!(matches!(
            read(&[0xFF, 0xFE, 0x00], None),
            Err(Refusal::Damaged(_))
        ));
        let deep = format!("<svg xmlns='{SVG}' width='1mm'>{}", "<g>".repeat(100_000));
        assert!(matches!(
            read(deep.as_bytes(), None),
            Err(Refusal::Damaged(_))
        ));
        let itself = entities(
            &page_of(
                r##"<g id="a"><use href="#a"/></g><use href="#none"/><path d="M 0 0 L 5 x"/>"##,
            ),
            None,
        );
        assert!(
            itself.iter().all(|e| matches!(e.what, What::Broken(_))),
            "{itself:?}"
        );
    }
}
