//! The page of the queue in a real browser.

use super::help::Fresh;
use super::killed::{client, start};
use serde_json::{Value, json};
use std::process::Command;
use std::time::Duration;

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
    let there = Command::new("chromium").arg("--version").output().is_ok();
    if !there {
        assert!(
            std::env::var_os("GRAINWAY_REQUIRE_CHROMIUM").is_none(),
            "Chromium is wanted and not installed"
        );
        println!("skipped: Chromium is not installed (Debian: chromium)");
        return;
    }
    let place = Fresh::new();
    let config = place.join("serve.json");
    let shop = super::help::example("step-stool/shop.json");
    let settings = json!({
        "format": "grainway.serve/1", "data": place.join("data"), "workers": 1, "shops": { "workshop": shop },
    });
    std::fs::write(&config, settings.to_string()).unwrap();
    let server = start(&config);
    let job = json!({
        "format": "grainway.job/1", "name": "Shelf <b onclick=alert(1)>", "unit": "mm", "shop": "workshop",
        "parts": [{
            "id": "shelf", "stock": "oak-19", "blank": { "length": 300, "width": 120, "dimensioned": true },
            "features": [{ "id": "peg", "kind": "hole", "shape": { "circle": { "at": [60, 60], "diameter": 5 } }, "depth": 8 }],
        }],
    });
    let client = client();
    let asked = client.post(format!("{}/v1/jobs", server.url)).json(&job);
    let taken: Value = asked.send().await.unwrap().json().await.unwrap();
    let id = taken["id"].as_str().unwrap();
    let at = format!("{}/v1/jobs/{id}?wait=60", server.url);
    let ended = client.get(at).timeout(Duration::from_secs(70));
    let ended: Value = ended.send().await.unwrap().json().await.unwrap();
    assert_eq!(ended["state"], "ready", "{ended}");
    let address = format!("{}/#{id}", server.url);
    let text = tokio::task::spawn_blocking(move || seen(&place, &address))
        .await
        .unwrap()
        .unwrap();
    for words in [
        "Shelf &lt;b onclick=alert(1)&gt;",
        "Programs and checks",
        "Checked against the parts, not run on your machine.",
        ">passed<",
        "Make new programs",
        "Make it alone",
        "<figcaption>",
        "aria-pressed=\"true\"",
        ended["code"].as_str().unwrap(),
    ] {
        assert!(text.contains(words), "{words:?} is not in {text}");
    }
    assert!(!text.contains("<b onclick"), "{text}");
}
