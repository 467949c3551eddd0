//! Sets of tasks that end together, and panics among them.

use std::any::Any;
use tokio::task::JoinSet;

/// Waits until one of the parts panics, and gives its words. Parts that come to an end are no trouble.
pub(super) async fn broken(tasks: &mut JoinSet<()>) -> String {
    loop {
        match tasks.join_next().await {
            Some(Ok(())) => {}
            Some(Err(e)) => match e.try_into_panic() {
                Ok(panic) => return said(panic.as_ref()).to_string(),
                Err(e) => return e.to_string(),
            },
            None => std::future::pending().await,
        }
    }
}

/// The words of a panic.
pub(super) fn said(panic: &(dyn Any + Send)) -> &str {
    let text = panic.downcast_ref::<String>().map(String::as_str);
    let text = text.or(panic.downcast_ref::<&str>().copied());
    text.unwrap_or("no words")
}

/// Ends as the tasks do: a panic in one of them is passed on.
pub(super) async fn all(mut tasks: JoinSet<()>) {
    while let Some(ended) = tasks.join_next().await {
        if let Err(e) = ended
            && let Ok(panic) = e.try_into_panic()
        {
            std::panic::resume_unwind(panic);
        }
    }
}

#[cfg(test)]
mod tests {
    use super::broken;
    use tokio::task::JoinSet;

    #[tokio::test]
    async fn a_part_that_failed_inside_is_noticed_and_one_that_ended_is_not() {
        let mut tasks = JoinSet::new();
        tasks.spawn(async {});
        tasks.spawn(async {
            tokio::task::yield_now().await;
            panic!("on purpose");
        });
        tasks.spawn(std::future::pending());
        assert_eq!(broken(&mut tasks).await, "on purpose");
        // Without any that could fail there is nothing to wait for.
        let mut none = JoinSet::new();
        none.spawn(async {});
        let waited = tokio::time::timeout(std::time::Duration::from_millis(50), broken(&mut none));
        assert!(waited.await.is_err());
    }
}
