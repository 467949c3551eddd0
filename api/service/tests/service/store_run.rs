//! The cases of the queue on SQLite and on a real PostgreSQL server.

use super::databases::{in_memory, sqlite};
use super::postgres::Server;
use super::store_cases::{Two, sound};
use super::{store_cases, store_commands, store_tokens};
use futures_util::future::BoxFuture;
use grainway_service::store::{Store, StoreUrl};

type Case = fn(Two) -> BoxFuture<'static, ()>;

fn cases() -> impl Iterator<Item = &'static (&'static str, Case)> {
    store_cases::CASES
        .iter()
        .chain(store_commands::CASES)
        .chain(store_tokens::CASES)
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn on_sqlite() {
    for (name, case) in cases() {
        println!("{name}");
        let folder = in_memory();
        let store = sqlite(&folder).await;
        case(Two {
            a: store.clone(),
            b: store.clone(),
        })
        .await;
        sound(&store).await;
        store.close().await;
    }
}

#[tokio::test(flavor = "multi_thread", worker_threads = 4)]
async fn on_postgresql() {
    let Some(server) = Server::start() else {
        return;
    };
    for (name, case) in cases() {
        println!("{name}");
        let url = StoreUrl::Postgres(server.database().await);
        // Both at a time: one makes the tables, the other waits for them.
        let (a, b) = tokio::join!(Store::open(&url), Store::open(&url));
        let two = Two {
            a: a.unwrap(),
            b: b.unwrap(),
        };
        assert!(!two.a.is_embedded());
        case(two.clone()).await;
        sound(&two.b).await;
        two.a.close().await;
        two.b.close().await;
    }
}
