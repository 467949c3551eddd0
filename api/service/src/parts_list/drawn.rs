//! Rows that name drawings.

use super::draft::{Draft, file_word};
use super::options::Column;
use super::row::Line;
use grainway_pipeline::doc::Pointer;
use serde_json::{Value, json};

impl Line<'_> {
    /// A drawing, or one part of it.
    pub(super) fn drawn(&mut self, draft: &mut Draft, file: String, count: u32) {
        let taken = [
            Column::Length,
            Column::Width,
            Column::Dimensioned,
            Column::TenonLeft,
            Column::TenonRight,
        ];
        for column in taken {
            if self.filled(column) {
                self.wrong(
                    column,
                    "The row names a drawing, which has the part's size and outline.",
                    "Empty the cell, or leave out the drawing.",
                );
            }
        }
        if !file.split('/').all(grainway_client::names::safe_name) {
            self.wrong(
                Column::Drawing,
                format!("\"{file}\" cannot be the name of a drawing: names have letters, digits, dashes, underscores and points."),
                "Rename the file, without spaces and accents, and write its name here.",
            );
            return;
        }
        let stock = self.text(Column::Stock);
        if stock.is_none() {
            self.missing(Column::Stock);
        }
        let single = self.text(Column::DrawingPart);
        let features = self.features();
        let id = self.id();
        let name = self.text(Column::Name);
        let (Some(id), Some(stock)) = (id, stock) else {
            return;
        };
        let Some(number) = single else {
            if !self.unclear(Column::DrawingPart) {
                self.whole_drawing(draft, file, stock, id, count, features);
            }
            return;
        };
        let Some(number) = self.part_number(&number) else {
            return;
        };
        if !self.new_id(draft, &id) {
            return;
        }
        let Some(index) = self.drawing(draft, &file, &stock, None) else {
            return;
        };
        let drawing_id = draft.drawings[index]["id"].as_str().unwrap_or_default();
        let key = match number.sheet {
            None => format!("{drawing_id}/{}", number.part),
            Some(sheet) => format!("{drawing_id}-{sheet}/{}", number.part),
        };
        let at = Pointer::default()
            .step("drawings")
            .step(index)
            .step("parts")
            .step(&key);
        if let Some(earlier) = draft.places.get(&at) {
            let message = format!(
                "Row {} already makes part {} of {file}.",
                earlier.row, number.part
            );
            self.wrong(Column::DrawingPart, message, "Count it there.");
            return;
        }
        self.note_part(draft, &at, &id);
        let mut part = json!({ "id": id, "count": count });
        self.finish(draft, &mut part, &at, name, features);
        draft.drawings[index]["parts"][&key] = part;
        draft.only.insert(id, json!(count));
        draft.single = true;
    }

    /// The cells that a part of a drawing comes from, for findings about it.
    fn note_part(&mut self, draft: &mut Draft, at: &Pointer, id: &str) {
        self.note(draft, at.clone(), Column::DrawingPart);
        self.note(draft, at.step("id"), Column::Part);
        self.note(draft, at.step("count"), Column::Count);
        self.note(draft, at.step("name"), Column::Name);
        let only = Pointer::default().step("only").step(id);
        self.note(draft, only, Column::DrawingPart);
    }

    fn whole_drawing(
        &mut self,
        draft: &mut Draft,
        file: String,
        stock: String,
        id: String,
        count: u32,
        features: Vec<(Column, Value)>,
    ) {
        if let Some((column, _)) = features.first() {
            self.wrong(
                *column,
                "The row asks for a whole drawing; features belong to one part of it.",
                "Say in the column `drawing-part` which part is meant.",
            );
            return;
        }
        if !self.new_id(draft, &id) {
            return;
        }
        draft.whole.push((self.row.number, file.clone()));
        if let Some(index) = self.drawing(draft, &file, &stock, Some(&id)) {
            self.note(
                draft,
                Pointer::default()
                    .step("drawings")
                    .step(index)
                    .step("copies"),
                Column::Count,
            );
            if count != 1 {
                draft.drawings[index]["copies"] = json!(count);
            }
        }
    }

    /// Where a drawing stands among the job's. Given an id of its own it is always a new one.
    fn drawing(
        &mut self,
        draft: &mut Draft,
        file: &str,
        stock: &str,
        id: Option<&str>,
    ) -> Option<usize> {
        let key = (file.to_string(), stock.to_string());
        if let (None, Some(index)) = (id, draft.known.get(&key)) {
            return Some(*index);
        }
        let options = self.list.options;
        let mut drawing = options.drawings.get(file).cloned().unwrap_or_default();
        if !drawing.contains_key("layers") {
            if options.layers.is_empty() {
                self.wrong(
                    Column::Drawing,
                    format!("Nothing says what the layers of {file} mean."),
                    "Write rules into the options of the list, under `layers`, or under `drawings` for this file.",
                );
                return None;
            }
            drawing.insert("layers".to_string(), json!(options.layers));
        }
        let id = match id {
            Some(id) => id.to_string(),
            None => free_id(file, draft),
        };
        let index = draft.drawings.len();
        let at = Pointer::default().step("drawings").step(index);
        self.note(draft, at.clone(), Column::Drawing);
        self.note(draft, at.step("id"), Column::Part);
        self.note(draft, at.step("stock"), Column::Stock);
        drawing.insert("id".to_string(), json!(id));
        drawing.insert("file".to_string(), json!(file));
        drawing.insert("stock".to_string(), json!(stock));
        draft.drawings.push(Value::Object(drawing));
        draft.known.insert(key, index);
        Some(index)
    }

    fn part_number(&mut self, text: &str) -> Option<PartNumber> {
        let number = |t: &str| t.trim().parse::<u32>().ok().filter(|n| *n > 0);
        let read = match text.split_once('/') {
            None => number(text).map(|part| PartNumber { sheet: None, part }),
            Some((sheet, part)) => {
                number(sheet)
                    .zip(number(part))
                    .map(|(sheet, part)| PartNumber {
                        sheet: Some(sheet),
                        part,
                    })
            }
        };
        if read.is_none() {
            self.wrong(
                Column::DrawingPart,
                format!("\"{text}\" is not the number of a part."),
                "Count the drawing's parts from 1, from the lower left; in a drawing of several sheets write 2/1 for part 1 of sheet 2.",
            );
        }
        read
    }
}

/// A part of a drawing by position.
struct PartNumber {
    sheet: Option<u32>,
    part: u32,
}

/// An id for a drawing that no other of the job has.
fn free_id(file: &str, draft: &Draft) -> String {
    let name = file.rsplit('/').next().unwrap_or(file);
    let stem = file_word(name.rsplit_once('.').map_or(name, |(stem, _)| stem));
    let taken = |id: &str| draft.drawings.iter().any(|d| d["id"] == id);
    let mut id = stem.clone();
    let mut n = 2;
    while taken(&id) {
        id = format!("{stem}-{n}");
        n += 1;
    }
    id
}
