//! The setup sheet as one HTML file that needs nothing beside it.

use super::sheet::Sheet;
use super::svg::svg;
use grainway_pipeline::stage::Fault;
use minijinja::value::Serde;
use minijinja::{Environment, UndefinedBehavior, Value, context};

const TEMPLATE: &str = include_str!("templates/setup-sheet.html");

/// The page. Everything but the pictures, which are made escaped, is escaped by the template.
pub(super) fn html(sheet: &Sheet) -> Result<String, Fault> {
    let failed =
        |e: minijinja::Error| Fault::new(format!("the setup sheet could not be made: {e:#}"));
    let mut environment = Environment::new();
    environment.set_undefined_behavior(UndefinedBehavior::Strict);
    environment
        .add_template("setup-sheet.html", TEMPLATE)
        .map_err(failed)?;
    let pictures: Vec<Value> = sheet
        .pictures
        .iter()
        .map(|p| Value::from_safe_string(svg(p, false)))
        .collect();
    environment
        .get_template("setup-sheet.html")
        .and_then(|t| {
            t.render(context! {
                title => printable(&sheet.title),
                blocks => Value::from(Serde(&sheet.blocks)),
                pictures => pictures,
            })
        })
        .map_err(failed)
}

/// Names come from documents; control characters have no place in a page.
fn printable(text: &str) -> String {
    text.chars()
        .map(|c| if c.is_control() { ' ' } else { c })
        .collect()
}
