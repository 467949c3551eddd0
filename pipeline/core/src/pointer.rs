//! Places in documents.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt::Display;

/// A place in a document: a JSON Pointer (RFC 6901), with the document's name and a `#` before it where the document is not understood:
/// `job.json#/parts/0/count`. Stages, which know no file names, call the two documents `job` and `shop`.
#[derive(
    Clone, Debug, Default, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(transparent)]
pub struct Pointer(String);

impl Pointer {
    /// The job's document as a whole.
    pub fn job() -> Pointer {
        Pointer::whole("job")
    }
    /// The shop's document as a whole.
    pub fn shop() -> Pointer {
        Pointer::whole("shop")
    }
    /// The document of this name as a whole.
    pub fn whole(document: &str) -> Pointer {
        Pointer(format!("{document}#"))
    }
    /// One step further: a key, or an index from 0.
    #[must_use]
    pub fn step(&self, key: impl Display) -> Pointer {
        Pointer(format!("{}/{}", self.0, escaped(&key.to_string())))
    }
    /// One step back; `None` at the document as a whole.
    pub fn parent(&self) -> Option<Pointer> {
        let (parent, _) = self.place().rsplit_once('/')?;
        let document = &self.0[..self.0.len() - self.place().len()];
        Some(Pointer(format!("{document}{parent}")))
    }
    /// The same place of the document of this name.
    #[must_use]
    pub fn of(&self, document: &str) -> Pointer {
        Pointer(format!("{document}#{}", self.place()))
    }
    /// The document's name; empty where it is understood.
    pub fn document(&self) -> &str {
        self.halves().0
    }
    /// The JSON Pointer alone.
    pub fn place(&self) -> &str {
        self.halves().1
    }
    /// As it is written.
    pub fn as_str(&self) -> &str {
        &self.0
    }
    /// It names nothing: the document that is understood, as a whole.
    pub fn is_empty(&self) -> bool {
        self.0.is_empty()
    }
    // A file's name may hold a `#` and a folder may end with one, a key may hold both: the first that ends a name is the mark.
    fn halves(&self) -> (&str, &str) {
        match self.0.find("#/") {
            _ if self.0.starts_with('/') => ("", &self.0),
            Some(i) => (&self.0[..i], &self.0[i + 1..]),
            None => (self.0.strip_suffix('#').unwrap_or(&self.0), ""),
        }
    }
}

impl<T: Into<String>> From<T> for Pointer {
    fn from(text: T) -> Pointer {
        Pointer(text.into())
    }
}

impl Display for Pointer {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(&self.0)
    }
}

impl PartialEq<str> for Pointer {
    fn eq(&self, other: &str) -> bool {
        self.0 == other
    }
}

impl PartialEq<&str> for Pointer {
    fn eq(&self, other: &&str) -> bool {
        self.0 == *other
    }
}

impl PartialEq<String> for Pointer {
    fn eq(&self, other: &String) -> bool {
        self.0 == *other
    }
}

/// A key as a step of a JSON Pointer (RFC 6901, section 3).
pub(crate) fn escaped(key: &str) -> String {
    key.replace('~', "~0").replace('/', "~1")
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// RFC 6901, section 5: the examples' keys and what they point at.
    #[test]
    fn steps_are_those_of_the_standard() {
        let document =
            json!({ "foo": ["bar", "baz"], "": 0, "a/b": 1, "c%d": 2, "m~n": 8, "k\"l": 6 });
        for key in ["", "a/b", "c%d", "m~n", "k\"l"] {
            let pointer = Pointer::job().step(key);
            assert_eq!(document.pointer(pointer.place()), document.get(key));
        }
        let pointer = Pointer::job().step("foo").step(1);
        assert_eq!(pointer, "job#/foo/1");
        assert_eq!(pointer.parent(), Some(Pointer::job().step("foo")));
        assert_eq!(Pointer::job().parent(), None);
        assert_eq!(document.pointer(pointer.place()), Some(&json!("baz")));
    }

    #[test]
    fn document_and_place_come_apart_whatever_they_hold() {
        for (text, document, place) in [
            ("", "", ""),
            ("/a/b", "", "/a/b"),
            ("/a#/b", "", "/a#/b"),
            ("job#", "job", ""),
            ("job#/a", "job", "/a"),
            ("night/a#1.json#/x#/y", "night/a#1.json", "/x#/y"),
            ("shop.json", "shop.json", ""),
        ] {
            let pointer = Pointer::from(text);
            assert_eq!((pointer.document(), pointer.place()), (document, place));
            if !document.is_empty() {
                let there = pointer.of("x.json");
                assert_eq!(there, format!("x.json#{place}").as_str());
            }
        }
    }
}
