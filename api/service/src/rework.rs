//! The next morning: a job made again with the wood as it was measured at the machine, or one spoiled part of it made anew.
//!
//! Both make a new job from a copy of the old one's files with another job document. Programs of wood measured again replace the old
//! ones, which are stale as soon as the new ones are ready: the codes on sheets and in programs differ. A part made again replaces
//! nothing: the other parts' programs stay what they are.

use super::Shared;
use super::intake::{Handed, Refusal, Taken, take};
use super::model::{Job, JobId, Side, Source, When};
use super::store::Idempotency;
use bytes::Bytes;
use futures_util::TryStreamExt;
use grainway_pipeline::doc::{
    Length, Own, Pointer, Stock, UNLIKE_SHARE, Unit, WIDEST_SPREAD_MM, in_unit, own_wood, stock_of,
};
use grainway_pipeline::finding::{Finding, code};
use grainway_stages::report::REPORT_FILE;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use serde_json::{Map, Value};
use std::collections::{BTreeMap, BTreeSet};

/// Somebody stands at the machine and waits: these jobs go before all that were handed in without a priority.
const WAITED_FOR: i32 = 50;

/// Wood as measured at the machine. Numbers are in the job document's unit, strings have one ("21.7mm").
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Measured {
    /// Stock → thickness readings, one or several. `oak-19@a` is the board `a` of the stock `oak-19`: the parts whose `place` names it follow
    /// its readings. `oak-19:top` is the dimensioned blank of the part `top`.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub thickness: BTreeMap<String, Readings>,
    /// Part → what its blanks measure, and which hand they are to have.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub pieces: BTreeMap<String, Piece>,
}

/// A described part as its wood lies at the machine.
#[derive(Clone, Debug, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Piece {
    /// Of a dimensioned blank, along the grain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub length: Option<Measure>,
    /// Of a dimensioned blank, across the grain.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub width: Option<Measure>,
    /// So many of all its pieces become the other hand, since their good face is the other one; the rest stay as described.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub mirrored: Option<u32>,
}

/// One reading or several.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Readings {
    /// Several.
    Several(Vec<Reading>),
    /// One.
    One(Reading),
}

/// A thickness reading as documents write it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Reading {
    /// As measured.
    Plain(Measure),
    /// One that was refused as unlikely, and is right.
    Confirmed(Confirmed),
}

/// A length as documents write it.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(untagged)]
pub enum Measure {
    /// In the job document's unit.
    Number(f64),
    /// With its unit: "21.7mm", "27/32in".
    Text(String),
}

/// A reading that may be unlikely.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Confirmed {
    /// As measured.
    pub thickness: Measure,
    /// The reading is right although it differs by more than 8 % from the present one, or lies more than 1.5 mm from another.
    #[serde(default)]
    pub confirmed: bool,
}

/// Parts to make again.
#[derive(Clone, Debug, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "kebab-case", deny_unknown_fields)]
pub struct Remake {
    /// Part id → how many.
    pub parts: BTreeMap<String, u32>,
}

fn request(at: impl Into<String>, message: impl Into<String>) -> Refusal {
    Refusal::Request {
        at: at.into(),
        message: message.into(),
    }
}

/// Makes `old` again with these thicknesses. What it made stays current until the new job is ready.
pub async fn measured(
    shared: &Shared,
    old: &Job,
    measured: &Measured,
    by: Option<String>,
    idempotency: Option<Idempotency>,
    dry_run: bool,
) -> Result<Taken, Refusal> {
    if measured.thickness.is_empty() && measured.pieces.is_empty() {
        return Err(request(
            "/thickness",
            "name at least one stock and its thickness, or one of `pieces`",
        ));
    }
    newest(old, "measure that one again")?;
    let files = files(shared, old).await?;
    let mut document = document(old, &files)?;
    let shop = document
        .get("shop")
        .and_then(Value::as_str)
        .and_then(|name| files.get(name))
        .and_then(|bytes| serde_json::from_slice::<Value>(bytes).ok());
    let mut stocks = match document.remove("stocks") {
        Some(Value::Object(stocks)) => stocks,
        _ => Map::new(),
    };
    for (id, readings) in &measured.thickness {
        let given = readings.document();
        tell_thickness(&mut document, &mut stocks, shop.as_ref(), id, given)?;
    }
    for (id, piece) in &measured.pieces {
        piece.tell_in(&mut document, id)?;
    }
    document.insert("stocks".to_string(), Value::Object(stocks));
    again(
        shared,
        old,
        files,
        document,
        By {
            replaces: Some(old.id),
            by,
        },
        idempotency,
        dry_run,
    )
    .await
}

/// Writes readings into the job's own stock, made from the shop's where it has none, or where a board or a blank was measured.
fn tell_thickness(
    document: &mut Map<String, Value>,
    stocks: &mut Map<String, Value>,
    shop: Option<&Value>,
    id: &str,
    given: Value,
) -> Result<(), Refusal> {
    let at = Pointer::default().step("thickness").step(id);
    let unit = |word: Option<&Value>| match word.and_then(Value::as_str) {
        Some("in") => Unit::Inch,
        _ => Unit::Mm,
    };
    let job_unit = unit(document.get("unit"));
    let of_shop = shop.and_then(|s| s.get("stocks")?.as_object());
    let bought = stock_of(id);
    let own = stocks.get(bought).cloned();
    let from_shop = own.is_none();
    let Some(Value::Object(mut stock)) = own.or_else(|| of_shop?.get(bought).cloned()) else {
        let of_shop = of_shop.into_iter().flat_map(Map::keys);
        let known: BTreeSet<&String> = stocks.keys().chain(of_shop).collect();
        let known: Vec<&str> = known.into_iter().map(String::as_str).collect();
        let known = known.join(", ");
        let message = format!("there is no stock {bought:?}; there are {known}");
        return Err(request(at.as_str(), message));
    };
    if from_shop {
        // Plain numbers of the shop count in its unit, those of the job in the job's: they are given theirs.
        with_unit(&mut stock, unit(shop.and_then(|s| s.get("unit"))));
    }
    let of_stock = stock.get("thickness").cloned();
    let asked = |present: Option<Value>| match present.or(of_stock) {
        Some(present) => ask(&at, (&given, job_unit), (&present, job_unit)),
        None => Ok(()),
    };
    match own_wood(id) {
        Some((_, Own::Blank(part))) => {
            asked(None)?;
            return tell(described(document, part, &at)?, "thickness", given, &at);
        }
        Some((_, Own::Board(board))) => {
            let board = board_of(&mut stock, board, bought, &at)?;
            asked(board.get("thickness").cloned())?;
            board.insert("thickness".to_string(), given);
        }
        None => {
            asked(None)?;
            stock.insert("thickness".to_string(), given);
        }
    }
    stocks.insert(bought.to_string(), Value::Object(stock));
    Ok(())
}

/// The board of a stock that is called so.
fn board_of<'s>(
    stock: &'s mut Map<String, Value>,
    id: &str,
    bought: &str,
    at: &Pointer,
) -> Result<&'s mut Map<String, Value>, Refusal> {
    let boards = stock.get_mut("boards").and_then(Value::as_array_mut);
    let mut known = Vec::new();
    for board in boards
        .into_iter()
        .flatten()
        .filter_map(Value::as_object_mut)
    {
        let own = board.get("id").and_then(Value::as_str).unwrap_or_default();
        if own == id {
            return Ok(board);
        }
        known.push(own.to_string());
    }
    Err(request(
        at.as_str(),
        format!(
            "there is no board {id:?} of the stock {bought}; there are {}",
            known.join(", ")
        ),
    ))
}

impl Readings {
    /// As documents write them.
    fn document(&self) -> Value {
        match self {
            Readings::Several(all) => serde_json::json!(all),
            Readings::One(one) => serde_json::json!([one]),
        }
    }
}

/// The part of the job's document that is described there.
fn described<'d>(
    document: &'d mut Map<String, Value>,
    id: &str,
    at: &Pointer,
) -> Result<&'d mut Map<String, Value>, Refusal> {
    let parts = document.get_mut("parts").and_then(Value::as_array_mut);
    let mut known = Vec::new();
    for part in parts.into_iter().flatten().filter_map(Value::as_object_mut) {
        let own = part.get("id").and_then(Value::as_str).unwrap_or_default();
        if own == id {
            return Ok(part);
        }
        known.push(own.to_string());
    }
    let known = known.join(", ");
    let message = format!("the job describes no part {id:?}; it describes {known}");
    Err(request(at.as_str(), message))
}

/// Writes what was measured into a part.
fn tell(
    part: &mut Map<String, Value>,
    key: &str,
    value: Value,
    at: &Pointer,
) -> Result<(), Refusal> {
    let Some(blank) = part.get_mut("blank").and_then(Value::as_object_mut) else {
        let message = "only a part that is described as a blank can be measured";
        return Err(request(at.as_str(), message));
    };
    let measured = blank
        .entry("measured")
        .or_insert_with(|| Value::Object(Map::new()));
    if let Some(measured) = measured.as_object_mut() {
        measured.insert(key.to_string(), value);
    }
    Ok(())
}

impl Piece {
    fn tell_in(&self, document: &mut Map<String, Value>, id: &str) -> Result<(), Refusal> {
        let at = Pointer::default().step("pieces").step(id);
        let part = described(document, id, &at)?;
        for (key, length) in [("length", &self.length), ("width", &self.width)] {
            if let Some(length) = length {
                tell(part, key, serde_json::json!(length), &at)?;
            }
        }
        if let Some(mirrored) = self.mirrored {
            let count =
                |key: &str, none: u64| part.get(key).and_then(Value::as_u64).unwrap_or(none);
            let all = count("count", 1) + count("mirrored", 0);
            let Some(rest) = all.checked_sub(u64::from(mirrored)) else {
                let message = format!("{mirrored} of {all} pieces cannot become the other hand");
                return Err(request(at.step("mirrored").as_str(), message));
            };
            part.insert("count".to_string(), Value::from(rest));
            part.insert("mirrored".to_string(), Value::from(mirrored));
        }
        Ok(())
    }
}

/// Makes some parts of `old` again.
pub async fn remake(
    shared: &Shared,
    old: &Job,
    remake: &Remake,
    by: Option<String>,
    idempotency: Option<Idempotency>,
    dry_run: bool,
) -> Result<Taken, Refusal> {
    if remake.parts.is_empty() {
        return Err(request("/parts", "name at least one part and how many"));
    }
    newest(old, "make parts of that one again")?;
    let files = files(shared, old).await?;
    let mut document = document(old, &files)?;
    if let Some(known) = parts_of(shared, old, &document).await?
        && let Some(id) = remake.parts.keys().find(|id| !known.contains(*id))
    {
        let known: Vec<&str> = known.iter().map(String::as_str).collect();
        return Err(request(
            Pointer::default().step("parts").step(id).as_str(),
            format!("there is no part {id:?}; there are {}", known.join(", ")),
        ));
    }
    let only: Map<String, Value> = remake
        .parts
        .iter()
        .map(|(id, n)| (id.clone(), Value::from(*n)))
        .collect();
    document.insert("only".to_string(), Value::Object(only));
    document.remove("sets");
    let parts: Vec<String> = remake
        .parts
        .iter()
        .map(|(id, n)| format!("{n} × {id}"))
        .collect();
    let name = document
        .get("name")
        .and_then(Value::as_str)
        .unwrap_or_default();
    let name = format!("{name}, again: {}", parts.join(", "));
    document.insert("name".to_string(), Value::String(name));
    again(
        shared,
        old,
        files,
        document,
        By { replaces: None, by },
        idempotency,
        dry_run,
    )
    .await
}

/// The ids of all parts that the job's documents make; `None` where only its drawings know.
async fn parts_of(
    shared: &Shared,
    old: &Job,
    document: &Map<String, Value>,
) -> Result<Option<BTreeSet<String>>, Refusal> {
    let ids = |parts: Option<&Value>| -> BTreeSet<String> {
        let all = parts.and_then(Value::as_array).into_iter().flatten();
        all.filter_map(|p| Some(p["id"].as_str()?.to_string()))
            .collect()
    };
    let mut known = ids(document.get("parts"));
    let drawings = document.get("drawings").and_then(Value::as_array);
    if drawings.is_none_or(Vec::is_empty) {
        return Ok(Some(known));
    }
    // The report names the parts of drawings, but those alone that were made.
    let report = made(shared, old, REPORT_FILE).await?;
    let report = report.and_then(|bytes| serde_json::from_slice::<Value>(&bytes).ok());
    let (Some(report), false) = (report, document.contains_key("only")) else {
        return Ok(None);
    };
    known.extend(ids(report.get("parts")));
    Ok(Some(known))
}

struct By {
    replaces: Option<JobId>,
    by: Option<String>,
}

async fn again(
    shared: &Shared,
    old: &Job,
    mut files: BTreeMap<String, Bytes>,
    document: Map<String, Value>,
    by: By,
    idempotency: Option<Idempotency>,
    dry_run: bool,
) -> Result<Taken, Refusal> {
    let text = serde_json::to_vec_pretty(&Value::Object(document))
        .map_err(|e| request("", e.to_string()))?;
    files.insert(old.document.clone(), Bytes::from(text));
    let handed = Handed {
        files,
        document: Some(old.document.clone()),
        priority: old.priority.max(WAITED_FOR),
        not_before: None,
        when: When::Any,
        batch: old.batch.clone(),
        replaces: by.replaces,
        source: Some(Source::Again),
        by: by.by,
    };
    take(shared, vec![handed], idempotency, dry_run).await
}

/// Another job took this one's place, with another thickness: what is made of this one fits nothing.
fn newest(old: &Job, instead: &str) -> Result<(), Refusal> {
    match old.replaced_by {
        None => Ok(()),
        Some(newer) => Err(request(
            "",
            format!("this job was replaced by {newer}; {instead}"),
        )),
    }
}

/// What was handed in with a job.
async fn files(shared: &Shared, old: &Job) -> Result<BTreeMap<String, Bytes>, Refusal> {
    let mut files = BTreeMap::new();
    for file in shared.store.files(old.id, Side::In).await? {
        let bytes = read(shared, old, Side::In, &file.name).await?;
        files.insert(file.name, bytes);
    }
    Ok(files)
}

/// A file that the job made, if it did.
async fn made(shared: &Shared, old: &Job, name: &str) -> Result<Option<Bytes>, Refusal> {
    let all = shared.store.files(old.id, Side::Out).await?;
    match all.iter().any(|f| f.name == name) {
        true => Ok(Some(read(shared, old, Side::Out, name).await?)),
        false => Ok(None),
    }
}

async fn read(shared: &Shared, old: &Job, side: Side, name: &str) -> Result<Bytes, Refusal> {
    let place = super::files::FilePlace {
        job: old.id,
        side,
        attempt: old.output.as_deref().filter(|_| side == Side::Out),
        name,
    };
    let reading = shared.files.read(&place, None).await?;
    let bytes: Vec<u8> = reading
        .stream
        .try_fold(Vec::new(), |mut all, piece| async move {
            all.extend_from_slice(&piece);
            Ok(all)
        })
        .await?;
    Ok(Bytes::from(bytes))
}

fn document(old: &Job, files: &BTreeMap<String, Bytes>) -> Result<Map<String, Value>, Refusal> {
    let text = files.get(&old.document).cloned().unwrap_or_default();
    match serde_json::from_slice(&text) {
        Ok(Value::Object(map)) => Ok(map),
        _ => Err(request("", "the job's document can no longer be read")),
    }
}

/// Refuses readings that look like a slip beside the present ones, or beside each other, until they are confirmed.
fn ask(at: &Pointer, given: (&Value, Unit), present: (&Value, Unit)) -> Result<(), Refusal> {
    let stock = |(thickness, unit): (&Value, Unit)| {
        let thickness = in_unit(unit, || serde_json::from_value(thickness.clone())).ok()?;
        Some(Stock {
            wood: String::new(),
            thickness,
            boards: Vec::new(),
            cup: Length::default(),
            moisture: None,
        })
    };
    // What cannot be read is told when the new job's documents are checked.
    let (Some(new), Some(old)) = (stock(given), stock(present)) else {
        return Ok(());
    };
    let ((low, _, high), (thinnest, _, thickest)) = (new.readings_mm(), old.readings_mm());
    let mm = |v: f64| (v * 1000.0).round() / 1000.0;
    let unlike = new.unlike(&old).into_iter().map(|i| {
        let present = if thinnest < thickest {
            format!("{} to {} mm", mm(thinnest), mm(thickest))
        } else {
            format!("{} mm", mm(thinnest))
        };
        let message = format!(
            "The reading is {} mm, at present it is {present}: more than {} % off.",
            mm(new.thickness[i].mm()),
            UNLIKE_SHARE * 100.0
        );
        Finding::new(&code::READING_UNLIKE_SHOP, message).pointer(at.step(i))
    });
    let apart = new.too_far_apart().into_iter().map(|i| {
        let message = format!(
            "The readings lie between {} and {} mm: more than {WIDEST_SPREAD_MM} mm apart.",
            mm(low),
            mm(high)
        );
        Finding::new(&code::READINGS_APART, message).pointer(at.step(i))
    });
    let findings: Vec<Finding> = unlike.chain(apart).collect();
    if findings.is_empty() {
        return Ok(());
    }
    Err(Refusal::Documents(findings))
}

/// Plain numbers of a stock's lengths become strings with their unit, those below its boards and readings too. `count` is a number.
fn with_unit(stock: &mut Map<String, Value>, unit: Unit) {
    fn told(value: &mut Value, unit: &str) {
        match value {
            Value::Number(n) => *value = Value::String(format!("{n}{unit}")),
            Value::Array(all) => all.iter_mut().for_each(|v| told(v, unit)),
            Value::Object(keys) => {
                let lengths = keys.iter_mut().filter(|(key, _)| *key != "count");
                lengths.for_each(|(_, v)| told(v, unit));
            }
            Value::Null | Value::Bool(_) | Value::String(_) => {}
        }
    }
    stock.values_mut().for_each(|v| told(v, unit.word()));
}

#[cfg(test)]
mod tests {
    use super::*;
    use serde_json::json;

    /// A stock of a shop in inches, copied into a job in millimetres.
    #[test]
    fn plain_lengths_of_a_copied_stock_get_their_unit() {
        let mut stock = json!({ "wood": "oak", "cup": 0.01, "thickness": [0.75, "19mm"], "boards": [{ "id": "a", "length": 31, "width": 9, "count": 2,
            "thickness": [{ "thickness": 0.74, "confirmed": true }], "defects": [{ "at": [1, 2], "size": ["30mm", 0.5] }] }] });
        with_unit(stock.as_object_mut().unwrap(), Unit::Inch);
        let told = json!({ "wood": "oak", "cup": "0.01in", "thickness": ["0.75in", "19mm"], "boards": [{ "id": "a", "length": "31in", "width": "9in", "count": 2,
            "thickness": [{ "thickness": "0.74in", "confirmed": true }], "defects": [{ "at": ["1in", "2in"], "size": ["30mm", "0.5in"] }] }] });
        assert_eq!(stock, told);
    }

    #[test]
    fn a_reading_unlike_the_present_one_asks() {
        let refused = |given: Value, unit: Unit| match ask(
            &Pointer::from("/thickness/oak-19"),
            (&given, unit),
            (&json!([19.17]), Unit::Mm),
        ) {
            Err(Refusal::Documents(findings)) => findings,
            _ => Vec::new(),
        };
        let found = refused(json!([25]), Unit::Mm);
        assert_eq!(found.len(), 1);
        assert_eq!(found[0].code, "reading-unlike-shop");
        assert_eq!(found[0].pointer, Some("/thickness/oak-19/0".into()));
        assert!(
            found[0].message.contains("at present it is 19.17 mm"),
            "{}",
            found[0]
        );
        // 8 % of 19.17 mm is 1.5336 mm; 0.81 in is 20.574 mm.
        assert!(refused(json!(["20.703mm", 19.3]), Unit::Mm).is_empty());
        assert!(refused(json!([0.81]), Unit::Inch).is_empty());
        assert_eq!(refused(json!(["20.704mm"]), Unit::Mm).len(), 1);
        assert!(refused(json!([{ "thickness": 25, "confirmed": true }]), Unit::Mm).is_empty());
        let apart = refused(json!([18, 19.6]), Unit::Mm);
        assert!(
            apart.len() == 2 && apart.iter().all(|f| f.code == "readings-apart"),
            "{apart:?}"
        );
    }
}
