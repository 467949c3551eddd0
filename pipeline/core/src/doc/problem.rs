//! What is wrong in a document, and where.

use crate::finding::{Finding, code};
use crate::pointer::Pointer;

/// What is wrong, in kind.
#[derive(Clone, Copy, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub enum ProblemKind {
    /// The document does not follow its schema, or contradicts itself.
    #[default]
    Form,
    /// A number is out of its range.
    Number,
}

/// Something wrong in a document.
#[derive(Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord)]
pub struct Problem {
    /// The place.
    pub pointer: Pointer,
    /// One sentence.
    pub message: String,
    /// In kind.
    pub kind: ProblemKind,
}

impl Problem {
    /// A problem of form.
    pub fn new(pointer: impl Into<Pointer>, message: impl Into<String>) -> Problem {
        Problem {
            pointer: pointer.into(),
            message: message.into(),
            kind: ProblemKind::Form,
        }
    }
    /// A number out of its range.
    pub fn number(pointer: impl Into<Pointer>, message: impl Into<String>) -> Problem {
        Problem {
            kind: ProblemKind::Number,
            ..Problem::new(pointer, message)
        }
    }
    /// What the user is told; `document` is the file's name.
    pub fn finding(&self, document: &str) -> Finding {
        let code = match self.kind {
            ProblemKind::Form => &code::DOCUMENT_INVALID,
            ProblemKind::Number => &code::BAD_NUMBER,
        };
        Finding::new(code, self.message.clone()).pointer(self.pointer.of(document))
    }
}
