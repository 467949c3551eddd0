//! Boards and blanks that were measured by themselves. Such wood is a stock of its own: `ash-22@a` is the board `a` of the stock `ash-22`,
//! `ash-22:top` the blank of the part `top`. The parts that are cut from it are of that stock, so whatever counts on a stock's readings (depths,
//! joints, heights, checks) counts on those of the wood at hand.

use super::{Job, Shop, Stock};
use crate::pointer::Pointer;

/// Between a stock and a board; no id has it.
const BOARD: char = '@';
/// Between a stock and the part of a blank; no id has it.
const BLANK: char = ':';

/// Which wood of a stock.
#[derive(Clone, Copy, Debug, PartialEq, Eq)]
pub enum Own<'a> {
    /// The board of this id.
    Board(&'a str),
    /// The blank of this part.
    Blank(&'a str),
}

impl Own<'_> {
    /// The id of the stock that this wood is, cut out of `stock`.
    pub fn of(self, stock: &str) -> String {
        match self {
            Own::Board(id) => format!("{stock}{BOARD}{id}"),
            Own::Blank(id) => format!("{stock}{BLANK}{id}"),
        }
    }
}

/// The stock, and the board or blank of it that this stock is; `None` for a stock that is itself.
pub fn own_wood(stock: &str) -> Option<(&str, Own<'_>)> {
    let board = stock.split_once(BOARD).map(|(s, b)| (s, Own::Board(b)));
    board.or_else(|| stock.split_once(BLANK).map(|(s, b)| (s, Own::Blank(b))))
}

/// The stock that people buy: that of a board or blank with readings of its own is the one that it belongs to.
pub fn stock_of(stock: &str) -> &str {
    own_wood(stock).map_or(stock, |(of, _)| of)
}

/// Makes a stock of each board and blank that was measured by itself, and of it the parts that are cut from it. Done twice it changes
/// nothing more.
pub fn bind_own_wood(job: &mut Job, shop: &mut Shop) {
    for stocks in [&mut job.stocks, &mut shop.stocks] {
        let own: Vec<(String, Stock)> = stocks
            .iter_mut()
            .flat_map(|(id, s)| boards(id, s))
            .collect();
        stocks.extend(own);
    }
    for part in &mut job.parts {
        // The job's own stock goes before the shop's, with all its boards.
        let stocks = match job.stocks.contains_key(&part.stock) {
            true => &job.stocks,
            false => &shop.stocks,
        };
        let measured = part.blank.as_mut().and_then(|b| b.measured.as_mut());
        let readings = measured.map(|m| std::mem::take(&mut m.thickness));
        if let Some(thickness) = readings.filter(|r| !r.is_empty()) {
            let Some(stock) = stocks.get(&part.stock) else {
                continue;
            };
            let own = Stock {
                thickness,
                boards: Vec::new(),
                ..stock.clone()
            };
            let id = Own::Blank(&part.id).of(&part.stock);
            job.stocks.insert(id.clone(), own);
            part.stock = id;
        } else if let Some(place) = &part.place {
            let id = Own::Board(&place.board).of(&part.stock);
            if stocks.contains_key(&id) {
                part.stock = id;
            }
        }
    }
}

/// Takes the boards with readings of their own out of a stock.
fn boards(id: &str, stock: &mut Stock) -> Vec<(String, Stock)> {
    let (own, rest) = std::mem::take(&mut stock.boards)
        .into_iter()
        .partition(|b| own_wood(id).is_none() && !b.thickness.is_empty());
    stock.boards = rest;
    let mut out = Vec::new();
    for mut board in own {
        let key = Own::Board(&board.id).of(id);
        let thickness = std::mem::take(&mut board.thickness);
        let boards = vec![board];
        out.push((
            key,
            Stock {
                thickness,
                boards,
                ..stock.clone()
            },
        ));
    }
    out
}

/// Where the thickness of a stock stands; of a board's own, the list of boards.
pub fn thickness_at(job: &Job, stock: &str) -> Pointer {
    let document = match job.stocks.contains_key(stock) {
        true => Pointer::job(),
        false => Pointer::shop(),
    };
    match own_wood(stock) {
        None => document.step("stocks").step(stock).step("thickness"),
        Some((of, Own::Board(_))) => document.step("stocks").step(of).step("boards"),
        Some((_, Own::Blank(id))) => {
            let part = job.parts.iter().position(|p| p.id == id);
            let part = document.step("parts").step(part.unwrap_or(0));
            part.step("blank").step("measured").step("thickness")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::doc::{Unit, in_unit};
    use serde_json::json;

    fn documents() -> (Job, Shop) {
        let job = json!({ "format": "grainway.job/1", "name": "j", "shop": "s", "parts": [
            { "id": "top", "stock": "ash", "blank": { "length": 400, "width": 200, "dimensioned": true, "measured": { "thickness": [17.6] } } },
            { "id": "leg", "stock": "ash", "blank": { "length": 400, "width": 200 }, "place": { "board": "a" } },
            { "id": "rail", "stock": "ash", "blank": { "length": 400, "width": 200 }, "place": { "board": "b" } },
            { "id": "foot", "stock": "ash", "blank": { "length": 400, "width": 200 } } ] });
        let shop = json!({ "format": "grainway.shop/1", "machines": {}, "cutters": {}, "stocks": { "ash": { "wood": "ash", "thickness": [18], "boards": [
            { "id": "a", "length": 1000, "width": 300, "thickness": [18.4, 18.5] }, { "id": "b", "length": 1000, "width": 300, "count": 2 } ] } } });
        in_unit(Unit::Mm, || {
            (
                serde_json::from_value(job).unwrap(),
                serde_json::from_value(shop).unwrap(),
            )
        })
    }

    #[test]
    fn wood_with_readings_of_its_own_is_a_stock_of_its_own() {
        let (mut job, mut shop) = documents();
        bind_own_wood(&mut job, &mut shop);
        let stocks: Vec<&str> = job.parts.iter().map(|p| p.stock.as_str()).collect();
        assert_eq!(stocks, ["ash:top", "ash@a", "ash", "ash"]);
        let (_, mean, thickest) = shop.stocks["ash@a"].readings_mm();
        assert!((mean - 18.45).abs() < 1e-9 && (thickest - 18.5).abs() < 1e-9);
        assert!((job.stocks["ash:top"].readings_mm().1 - 17.6).abs() < 1e-9);
        let boards = |id: &str| {
            shop.stocks[id]
                .boards
                .iter()
                .map(|b| b.id.as_str())
                .collect::<Vec<_>>()
        };
        assert_eq!((boards("ash@a"), boards("ash")), (vec!["a"], vec!["b"]));
        assert_eq!(
            [stock_of("ash:top"), stock_of("ash@a"), stock_of("ash")],
            ["ash"; 3]
        );
        assert_eq!(
            thickness_at(&job, "ash:top").place(),
            "/parts/0/blank/measured/thickness"
        );
        assert_eq!(thickness_at(&job, "ash@a").place(), "/stocks/ash/boards");
        let before = (job.clone(), shop.clone());
        bind_own_wood(&mut job, &mut shop);
        assert!(before == (job, shop));
    }
    /// A job that has the stock itself has its boards too, measured or not.
    #[test]
    fn the_shops_boards_are_not_those_of_the_jobs_own_stock() {
        let (mut job, mut shop) = documents();
        let mut own = shop.stocks["ash"].clone();
        own.boards[0].thickness.clear();
        job.stocks.insert("ash".to_string(), own);
        bind_own_wood(&mut job, &mut shop);
        assert_eq!(job.parts[1].stock, "ash");
    }
}
