//! The page of the queue in a real browser.

use super::help::Fresh;
use super::killed::{Server, client};
use super::security::service;
use serde_json::{Value, json};
use std::process::Command;
use std::time::Duration;

/// Whether there is a browser.
fn there() -> bool {
    super::help::installed("chromium", "GRAINWAY_REQUIRE_CHROMIUM", "chromium")
}

/// A job that says what it should not.
fn job() -> Value {
    json!({
        "format": "grainway.job/1", "name": "Shelf <b onclick=alert(1)>", "unit": "mm", "shop": "workshop",
        "parts": [{
            "id": "shelf", "stock": "oak-19", "blank": { "length": 300, "width": 120, "dimensioned": true },
            "features": [{ "id": "peg", "kind": "hole", "shape": { "circle": { "at": [60, 60], "diameter": 5 } }, "depth": 8 }],
        }],
    })
}

/// Waits for the end of a job that was handed in; the job, and what the browser shows of it.
async fn ended_and_seen(
    place: Fresh,
    server: &Server,
    asked: reqwest::RequestBuilder,
) -> (Value, String) {
    let taken: Value = asked.send().await.unwrap().json().await.unwrap();
    let id = taken["id"].as_str().unwrap();
    let at = format!("{}/v1/jobs/{id}?wait=60", server.url);
    let ended = client().get(at).timeout(Duration::from_secs(70));
    let ended: Value = ended.send().await.unwrap().json().await.unwrap();
    let address = format!("{}/#{id}", server.url);
    let text = tokio::task::spawn_blocking(move || seen(&place, &address));
    (ended, text.await.unwrap().unwrap())
}

/// What the browser made of an address, as markup. `None`: there is no browser here.
fn seen(place: &Fresh, address: &str) -> Option<String> {
    let Ok(ran) = Command::new("timeout")
        .args([
            "90",
            "chromium",
            "--headless=new",
            "--no-sandbox",
            "--disable-gpu",
        ])
        .arg(format!(
            "--user-data-dir={}",
            place.join("browser").display()
        ))
        .args(["--virtual-time-budget=8000", "--dump-dom", address])
        .output()
    else {
        return None;
    };
    let text = String::from_utf8_lossy(&ran.stdout).into_owned();
    (!text.is_empty()).then_some(text)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_shows_a_job_its_checks_and_its_pictures_slow() {
    if !there() {
        return;
    }
    let place = Fresh::new();
    let shop = std::fs::read(super::help::example("step-stool/shop.json")).unwrap();
    let mut shop: Value = serde_json::from_slice(&shop).unwrap();
    shop["prices"] =
        json!({ "currency": "EUR", "machine-hour": 38, "wood": { "oak-19": { "per-m2": 40 } } });
    let priced = place.join("priced.json");
    std::fs::write(&priced, shop.to_string()).unwrap();
    let (server, job) = (
        service(&place, &json!({ "shops": { "workshop": priced } })),
        job(),
    );
    let asked = client().post(format!("{}/v1/jobs", server.url)).json(&job);
    let (ended, text) = ended_and_seen(place, &server, asked).await;
    assert_eq!(ended["state"], "ready", "{ended}");
    for words in [
        "Shelf &lt;b onclick=alert(1)&gt;",
        "Programs and checks",
        "Checked against the parts, not run on your machine.",
        ">passed<",
        "Make new programs",
        "Make it alone",
        "What it costs",
        "Wood, oak-19",
        "Shares of the parts",
        "<figcaption>",
        "aria-pressed=\"true\"",
        ended["code"].as_str().unwrap(),
    ] {
        assert!(text.contains(words), "{words:?} is not in {text}");
    }
    assert!(!text.contains("<b onclick"), "{text}");
    let price = &ended["summary"]["price"];
    assert_eq!(
        (&price["currency"], &price["complete"]),
        (&json!("EUR"), &json!(true))
    );
    let shown = format!("{:.2} EUR", price["total"].as_f64().unwrap());
    assert!(text.contains(&shown), "{shown} is not in {text}");
}

/// The least contrast of text (WCAG 2.2, success criterion 1.4.3, level AA).
const CONTRAST: f64 = 4.5;

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_works_by_keyboard_wide_and_narrow_dark_and_light_slow() {
    if !there() {
        return;
    }
    let Some(python) = super::help::python_with("websockets") else {
        return;
    };
    let place = Fresh::new();
    let (server, job) = (service(&place, &json!({})), job());
    std::fs::write(place.join("job.json"), job.to_string()).unwrap();
    let mut script = Command::new(python);
    script
        .arg(concat!(
            env!("CARGO_MANIFEST_DIR"),
            "/../../tests/python/page_by_keys.py"
        ))
        .args([
            format!("{}/", server.url).as_ref(),
            place.join("job.json").as_os_str(),
        ])
        .arg(place.join(""));
    let ran = tokio::task::spawn_blocking(move || script.output().unwrap());
    let ran = ran.await.unwrap();
    let text = String::from_utf8_lossy(&ran.stdout);
    assert!(
        ran.status.success(),
        "{text}{}",
        String::from_utf8_lossy(&ran.stderr)
    );
    let told: Value = serde_json::from_str(&text).unwrap();
    let title = "H2: Shelf <b onclick=alert(1)>";
    assert_eq!(told["opened"], title);
    let looks = told["looks"].as_array().unwrap();
    assert_eq!(looks.len(), 4);
    for look in looks {
        assert_eq!(look["focus"], title, "{look}");
        assert!(look["contrast"].as_f64().unwrap() >= CONTRAST, "{look}");
        assert!(look["wide"].as_u64() <= look["width"].as_u64(), "{look}");
    }
    assert!(told["night"].as_u64() <= Some(390), "{told}");
    let times = told["handed-in"].as_array().unwrap();
    assert!(
        times.len() == 2 && times.iter().all(|t| t.as_str().unwrap().contains(':')),
        "{told}"
    );
    // Two jobs in the end, though buttons were pressed twice, of which the page named the one that counts.
    let jobs = client().get(format!("{}/v1/jobs", server.url));
    let jobs: Value = jobs.send().await.unwrap().json().await.unwrap();
    let [new, old] = jobs.as_array().unwrap().as_slice() else {
        panic!("{jobs}")
    };
    assert_eq!(
        (&new["code"], &old["replaced-by"]),
        (&told["new"], &new["id"])
    );
    assert!(
        told["stale"]
            .as_str()
            .unwrap()
            .starts_with("Stale: do not run")
    );
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn the_page_opens_by_an_address_that_names_nothing_slow() {
    if !there() {
        return;
    }
    let place = Fresh::new();
    let server = service(&place, &json!({}));
    let address = format!("{}/#%E0%A4%A", server.url);
    let text = tokio::task::spawn_blocking(move || seen(&place, &address))
        .await
        .unwrap()
        .unwrap();
    assert!(text.contains("nothing waits, looked at"), "{text}");
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn no_word_of_a_finding_becomes_markup_in_the_page_slow() {
    if !there() {
        return;
    }
    let place = Fresh::new();
    let (server, job) = (service(&place, &json!({})), job());
    let shop = std::fs::read(super::help::example("step-stool/shop.json")).unwrap();
    let mut shop: Value = serde_json::from_slice(&shop).unwrap();
    // An unknown wood comes back in a finding.
    let evil = "<img src=x onerror=\"document.title='it ran'\">";
    shop["stocks"]["oak-19"]["wood"] = evil.into();
    let (job, shop) = (job.to_string(), shop.to_string());
    let (kind, body) = super::http_help::form(&[
        ("document", None, job.as_bytes()),
        ("file", Some("workshop"), shop.as_bytes()),
    ]);
    let asked = client().post(format!("{}/v1/jobs", server.url));
    let asked = asked.header("content-type", kind).body(body);
    let (ended, text) = ended_and_seen(place, &server, asked).await;
    assert_eq!(ended["state"], "withheld", "{ended}");
    let findings = text.split_once("<h3>Findings</h3>").expect(&text).1;
    assert!(findings.contains("&lt;img src=x onerror="), "{findings}");
    assert!(!text.contains("<img src=\"x\""), "{text}");
    assert!(text.contains("<title>grainway: jobs</title>"), "{text}");
}
