//! The walk through the elements: groups, transforms, styles, and what `use` refers to.

use super::lengths::coordinate;
use super::shapes::shape;
use super::{DEEPEST, SVG};
use crate::entity::{Entity, MOST_ENTITIES, What};
use crate::plane::Plane;
use grainway_geom::{Segment, point};
use roxmltree::{Document, Node};
use std::sync::Arc;
use svgtypes::Transform;

const XLINK: &str = "http://www.w3.org/1999/xlink";
const TOO_DEEP: &str = "lies too deep in other elements";
/// Elements that draw nothing where they stand.
const NO_DRAWING: [&str; 18] = [
    "defs",
    "symbol",
    "clipPath",
    "mask",
    "pattern",
    "marker",
    "linearGradient",
    "radialGradient",
    "filter",
    "style",
    "title",
    "desc",
    "metadata",
    "script",
    "view",
    "animate",
    "animateTransform",
    "set",
];

/// Where elements stand.
#[derive(Clone)]
pub(super) struct Frame {
    pub(super) plane: Plane,
    pub(super) layer: Option<Arc<str>>,
    pub(super) hidden: Option<&'static str>,
    pub(super) depth: usize,
}

/// The walk, and what came out so far.
pub(super) struct Walk<'d> {
    pub(super) document: &'d Document<'d>,
    pub(super) out: Vec<Entity>,
    /// Ids that `use` is drawing.
    pub(super) used: Vec<String>,
    pub(super) overflow: bool,
}

impl Frame {
    /// The frame of an element in this one, and a sentence's end for an element that cannot be drawn there.
    fn within(&self, node: Node<'_, '_>) -> (Frame, Result<(), String>) {
        let mut frame = self.clone();
        frame.depth += 1;
        if property(node, "display") == Some("none")
            || matches!(property(node, "visibility"), Some("hidden" | "collapse"))
        {
            frame.hidden = Some("not shown");
        }
        let moved = match node.attribute("transform") {
            Some(text) => match text.parse::<Transform>() {
                Ok(t) => {
                    let own = Plane {
                        x: point(t.a, t.b),
                        y: point(t.c, t.d),
                        origin: point(t.e, t.f),
                    };
                    frame.plane = self.plane.after(&own);
                    Ok(())
                }
                Err(_) => Err("has a transform that cannot be read"),
            },
            None if property(node, "transform").is_some() => {
                Err("has a transform in its style, which is not read")
            }
            None => Ok(()),
        };
        let drawn = if moved.is_err() {
            moved
        } else if frame.depth > DEEPEST {
            Err(TOO_DEEP)
        } else if frame.plane.x.cross(frame.plane.y).abs() < 1e-18 {
            Err("is scaled to nothing")
        } else {
            Ok(())
        };
        (frame, drawn.map_err(str::to_string))
    }
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

impl Walk<'_> {
    pub(super) fn element(&mut self, node: Node<'_, '_>, outer: &Frame) {
        if !node.is_element() || !matches!(node.tag_name().namespace(), Some(SVG) | None) {
            return;
        }
        if self.out.len() >= MOST_ENTITIES {
            self.overflow = true;
            return;
        }
        let name = node.tag_name().name();
        if NO_DRAWING.contains(&name) {
            return;
        }
        let (mut frame, sound) = outer.within(node);
        if let Err(why) = sound {
            return self.push(node, &frame, What::Broken(why));
        }
        match name {
            "g" | "a" | "switch" => {
                if let Some(id) = node.attribute("id").filter(|_| name == "g") {
                    frame.layer = Some(id.into());
                }
                for child in node.children() {
                    self.element(child, &frame);
                }
            }
            "use" => {
                if let Err(why) = self.use_element(node, &frame) {
                    self.push(node, &frame, What::Broken(why));
                }
            }
            "svg" => {
                let why = "is a page inside the page, which is not read";
                self.push(node, &frame, What::Broken(why.to_string()));
            }
            "text" | "tspan" | "textPath" => self.other(node, &frame, "is a text"),
            "image" => self.other(node, &frame, "is a picture"),
            _ => match shape(node, name) {
                Some(Ok(paths)) if paths.is_empty() => self.other(node, &frame, "has no length"),
                Some(Ok(paths)) => {
                    for path in paths {
                        self.push(node, &frame, path.seen_from(&frame.plane));
                    }
                }
                Some(Err(why)) => self.push(node, &frame, What::Broken(why)),
                None => self.other(node, &frame, "is of a type that is not read"),
            },
        }
    }

    fn other(&mut self, node: Node<'_, '_>, frame: &Frame, why: &str) {
        self.push(node, frame, What::Other(why.to_string()));
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

    /// Draws what the element refers to. The error is a sentence's end.
    fn use_element(&mut self, node: Node<'_, '_>, frame: &Frame) -> Result<(), String> {
        let href = node
            .attribute("href")
            .or_else(|| node.attribute((XLINK, "href")));
        let id = href
            .and_then(|h| h.trim().strip_prefix('#'))
            .filter(|id| !id.is_empty());
        let document = self.document;
        let target = id.and_then(|id| {
            let mut all = document.descendants();
            all.find(|n| n.is_element() && n.attribute("id") == Some(id))
        });
        let number = |a: &str| node.attribute(a).map_or(Some(0.0), coordinate);
        let (Some(id), Some(target), Some(x), Some(y)) = (id, target, number("x"), number("y"))
        else {
            return Err("refers to nothing in the drawing".to_string());
        };
        if self.used.iter().any(|u| u == id) {
            return Err(format!("draws {id} inside itself"));
        }
        if self.used.len() >= DEEPEST {
            return Err(TOO_DEEP.to_string());
        }
        let symbol = target.tag_name().name() == "symbol";
        if symbol && target.attribute("viewBox").is_some() {
            return Err("draws a symbol with a view of its own, which is not read".to_string());
        }
        let inner = Frame {
            plane: frame.plane.after(&Plane::shifted(point(x, y))),
            ..frame.clone()
        };
        self.used.push(id.to_string());
        if symbol {
            for child in target.children() {
                self.element(child, &inner);
            }
        } else {
            self.element(target, &inner);
        }
        self.used.pop();
        Ok(())
    }
}
