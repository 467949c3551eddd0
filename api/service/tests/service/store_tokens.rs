//! Tokens in the queue's store, keys whose answers are looked up, and the age of what waits: cases for both databases.

use super::databases::new_job;
use super::store_cases::{Two, claim, submit};
use crate::cases;
use grainway_service::model::JobState;
use grainway_service::store::tokens::{GivenToken, MOST_TOKENS, Scope, TokenProblem};
use grainway_service::store::{Idempotency, Store, StoreUrl, Submitted};

cases!(
    tokens_are_known_by_their_texts_alone,
    only_so_many_tokens_with_names_of_one_line,
    a_key_is_looked_up_before_the_work,
    the_oldest_that_waits_and_may_run,
);

async fn tokens_are_known_by_their_texts_alone(two: Two) {
    let first = two.a.make_token("desk", Scope::Submit, 5).await.unwrap();
    let second = two
        .b
        .make_token("Séverine's list", Scope::Read, 6)
        .await
        .unwrap();
    let all = two.a.tokens().await.unwrap();
    let names: Vec<(&str, Scope, Option<i64>)> = all
        .iter()
        .map(|t| (t.token.name.as_str(), t.token.scope, t.token.last_used))
        .collect();
    assert_eq!(
        names,
        [
            ("desk", Scope::Submit, None),
            ("Séverine's list", Scope::Read, None)
        ]
    );
    for (i, fresh) in [&first, &second].into_iter().enumerate() {
        let given = GivenToken::read(&fresh.text).unwrap();
        let known: Vec<bool> = all.iter().map(|t| t.is(&given)).collect();
        assert_eq!(known, [i == 0, i == 1]);
    }
    // One's id with the other's secret is neither.
    let (head, _) = first.text.rsplit_once('_').unwrap();
    let mixed = format!("{head}_{}", &second.text[second.text.len() - 43..]);
    let mixed = GivenToken::read(&mixed);
    assert!(!mixed.is_some_and(|m| all.iter().any(|t| t.is(&m))));
    for text in [
        "",
        "grainway",
        "grainway__",
        "grainway_a_b",
        &first.text[1..],
        "grainway_a_AAAA",
    ] {
        assert!(GivenToken::read(text).is_none(), "{text}");
    }
    let id = &first.stored.token.id;
    two.b.token_used(id, 77).await.unwrap();
    assert_eq!(two.a.tokens().await.unwrap()[0].token.last_used, Some(77));
    assert!(two.a.remove_token(id).await.unwrap());
    assert!(!two.b.remove_token(id).await.unwrap());
    assert!(!two.b.remove_token("a\0b").await.unwrap());
    // Noting the use of one that is gone makes none.
    two.b.token_used(id, 78).await.unwrap();
    let left = two.b.tokens().await.unwrap();
    assert_eq!(left.len(), 1);
    assert_eq!(left[0].token.id, second.stored.token.id);
}

async fn only_so_many_tokens_with_names_of_one_line(two: Two) {
    let long = "é".repeat(81);
    for name in ["", "a\nb", "a\0b", "\u{85}", &long] {
        let refused = two.a.make_token(name, Scope::Read, 1).await;
        assert!(matches!(refused, Err(TokenProblem::Name)), "{name:?}");
    }
    two.a.make_token(&long[2..], Scope::Read, 1).await.unwrap();
    for n in 1..MOST_TOKENS {
        two.a
            .make_token(&n.to_string(), Scope::Read, 1)
            .await
            .unwrap();
    }
    let refused = two.b.make_token("one more", Scope::Read, 1).await;
    assert!(matches!(refused, Err(TokenProblem::Many)));
    assert_eq!(two.a.tokens().await.unwrap().len(), MOST_TOKENS);
}

async fn a_key_is_looked_up_before_the_work(two: Two) {
    let key = |sum: &str, caller: &str| Idempotency {
        key: "monday".to_string(),
        caller: caller.to_string(),
        request_sha256: sum.to_string(),
    };
    assert!(two.a.answered(&key("1", "desk")).await.unwrap().is_none());
    let job = new_job("bench", 1);
    let first = key("1", "desk");
    let made = two.a.submit(std::slice::from_ref(&job), Some(&first), 9);
    assert!(matches!(made.await.unwrap(), Submitted::New(_)));
    match two.b.answered(&key("1", "desk")).await.unwrap() {
        Some(Submitted::Before(jobs)) => assert_eq!(jobs[0].id, job.id),
        other => panic!("{other:?}"),
    }
    let other = two.b.answered(&key("2", "desk")).await.unwrap();
    assert!(matches!(other, Some(Submitted::OtherRequest)));
    assert!(two.b.answered(&key("1", "phone")).await.unwrap().is_none());
}

async fn the_oldest_that_waits_and_may_run(two: Two) {
    assert_eq!(two.a.oldest_waiting(1000).await.unwrap(), None);
    let mut later = new_job("later", 10);
    later.not_before = Some(500);
    submit(&two.a, later).await;
    submit(&two.a, new_job("now", 20)).await;
    assert_eq!(two.b.oldest_waiting(499).await.unwrap(), Some(20));
    assert_eq!(two.b.oldest_waiting(500).await.unwrap(), Some(10));
    claim(&two.a, 499).await.unwrap();
    assert_eq!(two.b.oldest_waiting(499).await.unwrap(), None);
}

/// `grainway token` writes beside a running service. A transaction that reads before it writes must hold the writer's place from its
/// beginning: SQLite lets no transaction go on to write whose reading is older than another's writing, however long it would wait
/// (sqlite.org, "Transactions", on SQLITE_BUSY_SNAPSHOT).
#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn tokens_are_made_beside_a_service_that_writes() {
    let place = super::help::Fresh::new();
    let url = StoreUrl::Sqlite(place.join("queue.sqlite"));
    let service = Store::open(&url).await.unwrap();
    let beside = Store::open_beside(&url).await.unwrap();
    let submits = tokio::spawn({
        let service = service.clone();
        async move {
            for n in 0..400 {
                service
                    .submit(&[new_job("bench", n)], None, 1000)
                    .await
                    .unwrap();
            }
        }
    });
    for n in 0..100 {
        let made = beside.make_token("desk", Scope::Read, n).await.unwrap();
        assert!(beside.remove_token(&made.stored.token.id).await.unwrap());
    }
    submits.await.unwrap();
    assert_eq!(service.counts().await.unwrap()[&JobState::Queued], 400);
    assert_eq!(service.tokens().await.unwrap().len(), 0);
    beside.close().await;
    service.close().await;
}
