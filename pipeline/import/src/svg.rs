//! SVG: shapes and paths of the page, in physical size.
//!
//! The XML is read directly and not through a renderer, which would turn arcs into Bézier curves, round to 32 bits and drop
//! what is not painted. An element's layer is the `id` of the nearest group around it that has one, else its own `id`, else the
//! empty name. y is turned upwards. Definitions, clip paths, masks and patterns are no drawing by themselves; `use` draws what
//! it refers to.

mod elements;
mod lengths;
mod page;
mod path;
mod path_data;
mod shapes;
#[cfg(test)]
mod tests;

use crate::entity::{Content, MOST_ENTITIES, Refusal};
use elements::{Frame, Walk};
use grainway_pipeline::doc::Unit;
use page::page;
use roxmltree::{Document, Node, ParsingOptions};

const SVG: &str = "http://www.w3.org/2000/svg";
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
