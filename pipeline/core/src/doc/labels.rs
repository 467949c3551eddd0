//! Labels for pieces: the sheet that they are printed on.

use super::Length;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A sheet of labels for pieces, in columns and rows; as many as lie wholly on the page. The sizes of the default are our own.
#[derive(Clone, Debug, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields, default)]
pub struct LabelSheet {
    /// Width and height of the page, lengths; 210 × 297 mm when not given.
    pub page: [Length; 2],
    /// Width and height of a label, lengths; 62 × 40 mm when not given.
    pub label: [Length; 2],
    /// From the page's upper left corner to that of the first label, to the right and down, lengths; 8 and 12 mm when not given.
    pub first: [Length; 2],
    /// From one label to the next, to the right and down, lengths; at least a label's width and height, 65 and 45 mm when not given.
    pub step: [Length; 2],
    /// Where a shop's page of jobs is found, such as `http://router.local:4750/`: it begins the text of each label's code. The text is the
    /// sheet's code and the piece alone when not given.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub address: Option<String>,
}

impl Default for LabelSheet {
    fn default() -> LabelSheet {
        let mm = |[a, b]: [f64; 2]| [Length::from_mm(a), Length::from_mm(b)];
        LabelSheet {
            page: mm([210.0, 297.0]),
            label: mm([62.0, 40.0]),
            first: mm([8.0, 12.0]),
            step: mm([65.0, 45.0]),
            address: None,
        }
    }
}

impl LabelSheet {
    /// Columns and rows of labels that lie wholly on the page.
    pub fn columns_and_rows(&self) -> [usize; 2] {
        // Labels that fit exactly fit, whatever the last digits say.
        const EXACT_MM: f64 = 1e-6;
        std::array::from_fn(|i| {
            let left = self.page[i].mm() - self.first[i].mm() - self.label[i].mm() + EXACT_MM;
            match left < 0.0 {
                true => 0,
                // The whole part of a quotient of lengths that reading keeps below a few thousand.
                false => (left / self.step[i].mm()).floor() as usize + 1,
            }
        })
    }
}
