//! The documents: `grainway.job/1`, `grainway.shop/1` and `grainway.night/1`.
//!
//! The doc comments on these types are the manual: the JSON Schemas are made from them. Reading ([`read`]) collects all problems
//! of a document, each with its JSON Pointer, and resolves units: lengths are millimetres from here on.

mod check;
mod fitting;
mod job;
mod joint;
mod labels;
mod lengths;
mod meaning;
mod night;
mod own_wood;
mod parse;
mod prices;
mod problem;
mod read;
mod relief;
mod shop;
mod side;
mod stock;
mod wood;

pub use crate::length::{Depth, Length, Unit, in_unit};
pub use crate::pointer::Pointer;
pub use fitting::*;
pub use job::*;
pub use joint::*;
pub use labels::LabelSheet;
pub(crate) use lengths::Names;
pub use lengths::{ShopStocks, allow_counting, settings_count};
pub use night::*;
pub use own_wood::{Own, bind_own_wood, own_wood, stock_of, thickness_at};
pub use prices::{HandMinutes, Money, OffcutsPaid, Prices, WoodPrice};
pub use problem::{Problem, ProblemKind};
pub(crate) use read::count_settings_layer;
pub use read::{
    MAX_DOCUMENT_BYTES, Reading, problems_counting, read_document, read_job,
    read_job_as_far_as_possible, read_night_as_far_as_possible, read_settings_layer, read_shop,
    read_shop_as_far_as_possible, schema_job, schema_night, schema_shop,
};
pub use relief::{Relief, ReliefKind, ReliefWay};
pub use shop::*;
pub use side::{Edge, End, LongWay, Seen, SeenSides, Side};
pub use stock::{Board, ConfirmedReading, Stock, ThicknessReading, UNLIKE_SHARE, WIDEST_SPREAD_MM};
pub use wood::{WOODS, Wood, wood};

/// Nothing comes of `$schema`: neither the hash of a document nor a copy of it has it.
fn ignored<T>(_: &T) -> bool {
    true
}
