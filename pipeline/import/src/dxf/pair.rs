//! Group codes with their values, of which the whole file consists.

/// A group code and its value.
#[derive(Clone, Debug, PartialEq)]
pub(super) struct Pair {
    pub(super) code: i32,
    pub(super) value: Value,
}

#[derive(Clone, Debug, PartialEq)]
pub(super) enum Value {
    Text(Vec<u8>),
    Number(f64),
}

impl Pair {
    pub(super) fn number(&self) -> Option<f64> {
        match &self.value {
            Value::Number(n) => Some(*n),
            Value::Text(t) => std::str::from_utf8(t).ok()?.trim().parse().ok(),
        }
    }
    pub(super) fn is(&self, code: i32, text: &str) -> bool {
        self.code == code
            && matches!(&self.value, Value::Text(t) if t.trim_ascii() == text.as_bytes())
    }
    pub(super) fn bytes(&self) -> &[u8] {
        match &self.value {
            Value::Text(t) => t.trim_ascii(),
            Value::Number(_) => b"",
        }
    }
}
