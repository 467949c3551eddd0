//! The type of a route. The router and the OpenAPI document are both made from one table, so they cannot differ.

use super::ApiArc;
use super::problem::{self, Kind};
use crate::store::tokens::Scope;
use axum::routing::MethodRouter;
use schemars::{Schema, SchemaGenerator};

/// Makes a schema, its definitions kept by the generator.
pub type MakeSchema = fn(&mut SchemaGenerator) -> Schema;

/// Where a parameter stands.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum At {
    /// In the path.
    Path,
    /// In the query.
    Query,
    /// A header field.
    Field,
}

/// A parameter of a route. Those of the path are always there, others never have to be.
pub struct Parameter {
    /// Its name.
    pub name: &'static str,
    /// Where it stands.
    pub at: At,
    /// What it is, in one sentence.
    pub about: &'static str,
    /// Its values.
    pub schema: MakeSchema,
}

/// What a body or an answer is made of: media type and schema; none is a text without one.
pub type Media = (&'static str, Option<MakeSchema>);

/// A good answer.
pub struct Answer {
    /// The HTTP status.
    pub status: u16,
    /// What it is.
    pub about: &'static str,
    /// Its forms.
    pub forms: &'static [Media],
    /// Header fields that it has.
    pub fields: &'static [(&'static str, &'static str)],
}

impl Answer {
    /// The same with these header fields.
    pub(super) const fn with(self, fields: &'static [(&'static str, &'static str)]) -> Answer {
        Answer { fields, ..self }
    }
}

/// One route.
pub struct Route {
    /// The method. GET answers HEAD too.
    pub method: &'static str,
    /// The path, with `{name}` for a part and `{*name}` for the rest.
    pub path: &'static str,
    /// A word of its own.
    pub word: &'static str,
    /// What it does, in one sentence.
    pub about: &'static str,
    /// What a token needs; `None` is for everybody.
    pub scope: Option<Scope>,
    /// Its parameters.
    pub parameters: &'static [&'static Parameter],
    /// The forms of its body; it takes none when there are none.
    pub bodies: &'static [Media],
    /// Good answers.
    pub answers: &'static [Answer],
    /// Problems beside those that every route has.
    pub problems: &'static [&'static Kind],
    pub(super) handler: fn() -> MethodRouter<ApiArc>,
}

/// Problems that every route has. Those of tokens only where one is wanted.
pub(super) const COMMON_PROBLEMS: &[&Kind] = &[
    problem::BAD_REQUEST,
    problem::BAD_PARAMETER,
    problem::OTHER_HOST,
    problem::TOO_MANY,
    problem::FAILED,
    problem::BUSY,
];

/// Problems of routes that want a token.
pub(super) const TOKEN_PROBLEMS: &[&Kind] = &[
    problem::NO_TOKEN,
    problem::WRONG_TOKEN,
    problem::NOT_ALLOWED,
    problem::NOT_FROM_THERE,
    problem::OTHER_SITE,
];
