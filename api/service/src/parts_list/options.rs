//! What a parts list leaves out: the shop, units, the list's own headings, what layers of drawings mean.

use grainway_pipeline::doc::{
    DrawnBoard, LayerRule, Layout, Length, Problem, Stock, Unit, allow_counting, problems_counting,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::BTreeMap;

/// The format word of a list's options.
pub const LIST_FORMAT: &str = "grainway.list/1";

/// What holds for a whole parts list. It stands in `NAME.json` beside a list `NAME.csv` of a watched folder, in `parts-lists.json`
/// for all lists of that folder, or comes with the request.
#[derive(Clone, Debug, Default, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct ListOptions {
    /// Always "grainway.list/1".
    pub format: String,
    /// What people call the job; the list's file name when left out. With a column `job` its word is added.
    pub name: Option<String>,
    /// The unit of plain numbers, in the list and here. A heading such as `length (in)` overrides it for its column.
    pub unit: Unit,
    /// The shop document, by file name or by the name under which the server keeps it.
    pub shop: Option<String>,
    /// The machine of the shop to use; may be left out when the shop has only one.
    pub machine: Option<String>,
    /// The sheet of a workbook; its first when left out.
    pub sheet: Option<String>,
    /// What stands between cells of a text list; found out when left out.
    pub separator: Option<Separator>,
    /// What stands before the decimals of numbers written as text; when left out a comma in lists separated by semicolons, else a
    /// point.
    pub decimal: Option<Decimal>,
    /// The list's own headings: `"Bauteil": "part"`.
    pub columns: BTreeMap<String, Column>,
    /// What an empty cell of a column means, or a column that the list lacks: `"stock": "ash-22"`.
    pub defaults: BTreeMap<Column, String>,
    /// Names for lengths, as in a job document. Cells of the columns `length` and `width` may count on them, and on readings of stocks.
    #[schemars(with = "BTreeMap<String, Length>")]
    pub lengths: BTreeMap<String, Value>,
    /// Stocks of these jobs, added to the shop's; as in a job document.
    #[schemars(with = "BTreeMap<String, Stock>")]
    pub stocks: BTreeMap<String, Value>,
    /// What the layers of drawings mean, as in a job document; a drawing's own rules stand in `drawings`.
    #[schemars(with = "Vec<LayerRule>")]
    pub layers: Vec<Value>,
    /// More about a drawing, by its file name.
    #[schemars(with = "BTreeMap<String, ListDrawing>")]
    pub drawings: BTreeMap<String, Map<String, Value>>,
    /// Settings of stages, by stage name, as in a job document.
    pub settings: BTreeMap<String, Value>,
    /// The stages in order, when not the shop's or the built-in chain.
    pub chain: Option<Vec<String>>,
}

/// More about a drawing; the same keys as in a job document.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct ListDrawing {
    /// The unit of its coordinates, where the drawing does not say.
    #[serde(default)]
    pub unit: Option<Unit>,
    /// Which sheets to make, counted from 1 by position; all when left out.
    #[serde(default)]
    pub sheets: Option<Vec<u32>>,
    /// Contours of parts farther apart than this belong to different sheets.
    #[serde(default)]
    pub sheet_gap: Option<Length>,
    /// What its layers mean; the list's `layers` when left out.
    #[serde(default)]
    pub layers: Option<Vec<LayerRule>>,
    /// Where its parts come to lie.
    #[serde(default)]
    pub layout: Option<Layout>,
    /// The board for layout as-drawn.
    #[serde(default)]
    pub board: Option<DrawnBoard>,
    /// Ends nearer than this are joined.
    #[serde(default)]
    pub join: Option<Length>,
}

/// What stands between cells.
#[derive(Clone, Copy, Debug, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Separator {
    /// `,`
    Comma,
    /// `;`
    Semicolon,
    /// The tabulator.
    Tab,
}

impl Separator {
    /// All, the likeliest first.
    pub(super) const ALL: [Separator; 3] = [Separator::Comma, Separator::Semicolon, Separator::Tab];

    pub(super) fn char(self) -> char {
        match self {
            Separator::Comma => ',',
            Separator::Semicolon => ';',
            Separator::Tab => '\t',
        }
    }
}

/// What stands before the decimals.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case")]
pub enum Decimal {
    /// `19.2`
    #[default]
    Point,
    /// `19,2`
    Comma,
}

/// The columns of a parts list.
#[derive(
    Clone, Copy, Debug, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "kebab-case")]
pub enum Column {
    /// Rows with the same word become one job.
    Job,
    /// How many times the row's job is made.
    Sets,
    /// The part's id.
    Part,
    /// What people call it.
    Name,
    /// How many.
    Count,
    /// The stock that it is cut from.
    Stock,
    /// Along the grain, over all.
    Length,
    /// Across the grain.
    Width,
    /// Already dimensioned: it is only machined.
    Dimensioned,
    /// Tenons at the left end.
    TenonLeft,
    /// Tenons at the right end.
    TenonRight,
    /// Holes.
    Holes,
    /// Mortises.
    Mortises,
    /// Grooves along the grain.
    Grooves,
    /// Housings across the grain.
    Housings,
    /// Rebates along an edge.
    Rebates,
    /// Laps.
    Laps,
    /// Pockets.
    Pockets,
    /// Openings.
    Cutouts,
    /// A drawing's file.
    Drawing,
    /// Which part of the drawing.
    DrawingPart,
}

impl Column {
    /// All, in the order in which they are told.
    pub const ALL: [Column; 21] = [
        Column::Job,
        Column::Sets,
        Column::Part,
        Column::Name,
        Column::Count,
        Column::Stock,
        Column::Length,
        Column::Width,
        Column::Dimensioned,
        Column::TenonLeft,
        Column::TenonRight,
        Column::Holes,
        Column::Mortises,
        Column::Grooves,
        Column::Housings,
        Column::Rebates,
        Column::Laps,
        Column::Pockets,
        Column::Cutouts,
        Column::Drawing,
        Column::DrawingPart,
    ];

    /// Its heading.
    pub fn word(self) -> &'static str {
        match self {
            Column::Job => "job",
            Column::Sets => "sets",
            Column::Part => "part",
            Column::Name => "name",
            Column::Count => "count",
            Column::Stock => "stock",
            Column::Length => "length",
            Column::Width => "width",
            Column::Dimensioned => "dimensioned",
            Column::TenonLeft => "tenon-left",
            Column::TenonRight => "tenon-right",
            Column::Holes => "holes",
            Column::Mortises => "mortises",
            Column::Grooves => "grooves",
            Column::Housings => "housings",
            Column::Rebates => "rebates",
            Column::Laps => "laps",
            Column::Pockets => "pockets",
            Column::Cutouts => "cutouts",
            Column::Drawing => "drawing",
            Column::DrawingPart => "drawing-part",
        }
    }

    /// What a cell of it may look like, in millimetres.
    pub fn example(self) -> &'static str {
        match self {
            Column::Job => "benches",
            Column::Sets => "12",
            Column::Part => "seat-rail",
            Column::Name => "Seat rail",
            Column::Count => "2",
            Column::Stock => "ash-22",
            Column::Length => "1000",
            Column::Width => "100",
            Column::Dimensioned => "yes",
            Column::TenonLeft | Column::TenonRight => "22 x 70 at 50",
            Column::Holes => "8 deep 14 at 200 x 50 and 500 x 50",
            Column::Mortises => "70 x 22 through at 120 x 60",
            Column::Grooves => "12 deep 6 at 50 from 60 to 940",
            Column::Housings => "19.3 deep 9 at 180 from 20",
            Column::Rebates => "10 deep 6 at far",
            Column::Laps => "50 leaving 9 at right",
            Column::Pockets => "120 x 40 deep 3 at 500 x 50 round 8",
            Column::Cutouts => "120 x 35 at 500 x 50 round 8",
            Column::Drawing => "bench-end.dxf",
            Column::DrawingPart => "1",
        }
    }

    /// Something cut into the part.
    pub(super) fn is_feature(self) -> bool {
        (Column::Holes..=Column::Cutouts).contains(&self)
    }
}

/// JSON Schema of the options.
pub fn schema_list() -> Value {
    let mut schema = schemars::schema_for!(ListOptions).to_value();
    allow_counting(&mut schema["$defs"]);
    schema
}

/// Puts what was said of one list over what was said of all: single keys replace, collections are joined key by key.
pub fn joined(of_all: &Value, of_one: &Value) -> Value {
    let (Value::Object(all), Value::Object(one)) = (of_all, of_one) else {
        return of_one.clone();
    };
    let mut whole = all.clone();
    for (key, value) in one {
        match (whole.get_mut(key), value) {
            (Some(Value::Object(below)), Value::Object(above)) if key != "board" => {
                below.extend(above.clone());
            }
            _ => {
                whole.insert(key.clone(), value.clone());
            }
        }
    }
    Value::Object(whole)
}

/// Reads options; all problems at once, with pointers into them.
pub fn read_options(value: &Value) -> Result<ListOptions, Vec<Problem>> {
    match value.get("format").and_then(Value::as_str) {
        Some(LIST_FORMAT) => {}
        _ => {
            return Err(vec![Problem::new(
                "/format",
                format!("The options of a parts list begin with \"format\": \"{LIST_FORMAT}\"."),
            )]);
        }
    }
    let unit = match value.get("unit").and_then(Value::as_str) {
        Some("in") => Unit::Inch,
        _ => Unit::Mm,
    };
    let problems = problems_counting(value, unit, &schema_list());
    if !problems.is_empty() {
        return Err(problems);
    }
    serde_json::from_value(value.clone()).map_err(|e| vec![Problem::new("", format!("{e}."))])
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    #[test]
    fn all_problems_of_options_are_told_with_their_places() {
        let wrong = json!({
            "format": "grainway.list/1", "unit": "cm", "shp": "x", "columns": { "Bauteil": "prt" },
            "layers": [{ "layer": "^o$", "mak": "outline" }], "drawings": { "a.dxf": { "layout": "drawn" } },
        });
        let problems = read_options(&wrong).unwrap_err();
        let places: Vec<&str> = problems.iter().map(|p| p.pointer.as_str()).collect();
        for place in [
            "/unit",
            "/shp",
            "/columns/Bauteil",
            "/layers/0/mak",
            "/drawings/a.dxf/layout",
        ] {
            assert!(
                places.contains(&place),
                "{place} is missing in {problems:#?}"
            );
        }
        assert_eq!(read_options(&json!({})).unwrap_err()[0].pointer, "/format");
        assert_eq!(read_options(&json!([])).unwrap_err()[0].pointer, "/format");
    }

    #[test]
    fn one_list_goes_over_all() {
        let all =
            json!({ "shop": "a", "defaults": { "stock": "ash", "count": "2" }, "layers": [1] });
        let one = json!({ "shop": "b", "defaults": { "stock": "oak" }, "layers": [] });
        let whole =
            json!({ "shop": "b", "defaults": { "stock": "oak", "count": "2" }, "layers": [] });
        assert_eq!(joined(&all, &one), whole);
    }

    #[test]
    fn a_columns_word_is_the_documents() {
        for column in Column::ALL {
            assert_eq!(json!(column), json!(column.word()));
        }
    }
}
