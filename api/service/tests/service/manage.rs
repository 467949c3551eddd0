//! What people ask of webhooks, and the sender as a service runs it.

use super::databases::{in_memory, new_job, sqlite};
use super::help::job_program;
use super::in_process;
use super::sender::Receiver;
use grainway_service::Shared;
use grainway_service::config::Config;
use grainway_service::files::{Files, FilesUrl};
use grainway_service::hooks::manage::{MOST_WEBHOOKS, NewWebhook, make, resume, rotate, test};
use grainway_service::hooks::send;
use grainway_service::hooks::sign::Secret;
use grainway_service::intake::Refusal;
use serde_json::Value;
use std::path::Path;
use std::sync::Arc;

async fn shared(folder: &Path, private_targets: &[&str]) -> Arc<Shared> {
    let config = Config {
        data: folder.to_path_buf(),
        webhook_private_targets: private_targets.iter().map(|t| t.to_string()).collect(),
        ..Config::default()
    };
    let files = Files::open(&FilesUrl::Folder(folder.join("files"))).unwrap();
    Arc::new(in_process::shared(
        config,
        sqlite(folder).await,
        files,
        job_program(),
    ))
}

fn new(url: &str, events: &[&str]) -> NewWebhook {
    NewWebhook {
        url: url.to_string(),
        events: events.iter().map(|e| e.to_string()).collect(),
    }
}

#[tokio::test]
async fn addresses_and_events_are_checked_before_anything_is_kept() {
    let folder = in_memory();
    let shared = shared(&folder, &["127.0.0.1:9"]).await;
    let long = format!("https://library.example/{}", "x".repeat(2000));
    for (url, events, at, wanted) in [
        (
            "http://library.example/",
            &["job.ended"][..],
            "/url",
            "https://",
        ),
        (
            "https://10.0.0.1/",
            &["job.ended"],
            "/url",
            "private network",
        ),
        (
            "http://127.0.0.1:10/",
            &["job.ended"],
            "/url",
            "private network",
        ),
        (
            "https://a:b@library.example/",
            &["job.ended"],
            "/url",
            "passwords",
        ),
        ("library", &["job.ended"], "/url", "library"),
        (long.as_str(), &["job.ended"], "/url", "2000"),
        ("https://library.example/", &[], "/events", "at least one"),
        (
            "https://library.example/",
            &["job.ended", "job.lunch"],
            "/events/1",
            "job.stale",
        ),
    ] {
        match make(&shared, new(url, events)).await {
            Err(Refusal::Request { at: place, message }) => {
                assert_eq!(place, at, "{message}");
                assert!(message.contains(wanted), "{message}");
            }
            other => panic!("{url}: {other:?}"),
        }
    }
    assert!(shared.store.webhooks().await.unwrap().is_empty());
    let asked: NewWebhook = serde_json::from_str(r#"{ "url": "http://127.0.0.1:9/x" }"#).unwrap();
    let made = make(&shared, asked).await.unwrap();
    assert_eq!(made.webhook.events, ["job.ended"]);
    assert!(Secret::read(&made.secret).is_ok());
    let shown = serde_json::to_string(&shared.store.webhooks().await.unwrap()).unwrap();
    assert!(!shown.contains("whsec_"), "{shown}");
    for _ in 1..MOST_WEBHOOKS {
        make(&shared, new("https://library.example/", &["job.stale"]))
            .await
            .unwrap();
    }
    let more = make(&shared, new("https://library.example/", &["job.stale"])).await;
    assert!(matches!(more, Err(Refusal::Request { .. })), "{more:?}");
    for answer in [
        rotate(&shared, "none").await.unwrap().is_none(),
        test(&shared, "none").await.unwrap().is_none(),
    ] {
        assert!(answer);
    }
    assert!(resume(&shared, "none").await.unwrap().is_none());
}

#[tokio::test(flavor = "multi_thread", worker_threads = 2)]
async fn a_running_service_tells_of_ends_and_of_tests_with_old_and_new_secret() {
    let (receiver, address) = Receiver::new(&[200, 200, 410, 200]).await;
    let folder = in_memory();
    let shared = shared(&folder, &[&address]).await;
    let sender = tokio::spawn(send(Arc::clone(&shared)));
    let made = make(
        &shared,
        new(&format!("http://{address}/hook"), &["job.ended"]),
    )
    .await
    .unwrap();
    let id = made.webhook.id.as_str();
    let job = new_job("Step stool", 1);
    shared
        .store
        .submit(std::slice::from_ref(&job), None, 10)
        .await
        .unwrap();
    shared.store.cancel(job.id, None, 2).await.unwrap();
    shared.stir();
    let got = receiver.wait_for(1).await;
    let told: Value = serde_json::from_slice(&got[0].body).unwrap();
    assert_eq!(told["data"]["job"]["id"], job.id.to_string());

    let renewed = rotate(&shared, id).await.unwrap().unwrap();
    let queued = test(&shared, id).await.unwrap().unwrap();
    let got = receiver.wait_for(2).await;
    assert_eq!(got[1].id, queued.id);
    let secrets = [&renewed.secret, &made.secret].map(|s| Secret::read(s).unwrap());
    let signed = secrets.map(|s| s.sign(&got[1].id, got[1].timestamp, &got[1].body));
    assert_eq!(got[1].signatures, signed.join(" "));

    // The receiver wants no more; then it does again.
    test(&shared, id).await.unwrap().unwrap();
    receiver.wait_for(3).await;
    let begun = std::time::Instant::now();
    while shared
        .store
        .webhook(id)
        .await
        .unwrap()
        .unwrap()
        .off
        .is_none()
    {
        assert!(begun.elapsed().as_secs() < 10);
        tokio::time::sleep(std::time::Duration::from_millis(10)).await;
    }
    let refused = test(&shared, id).await;
    assert!(
        matches!(&refused, Err(Refusal::Request { message, .. }) if message.contains("switched off")),
        "{refused:?}"
    );
    assert_eq!(resume(&shared, id).await.unwrap().unwrap().off, None);
    test(&shared, id).await.unwrap().unwrap();
    receiver.wait_for(4).await;
    shared.stop.send_replace(true);
    sender.await.unwrap();
}
