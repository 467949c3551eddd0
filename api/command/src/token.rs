//! `grainway token`: tokens of the service, made where its queue is, whether it runs or not.

use super::operate::{Shops, Which, settings};
use super::{ACT, Cli, FAILED, READY, USAGE, complain, say, text};
use clap::{Subcommand, ValueEnum};
use grainway_service::store::Store;
use grainway_service::store::tokens::{Scope, TokenProblem};
use serde_json::json;

#[derive(Subcommand, Debug)]
pub(super) enum Token {
    /// Make a token and print it, this once. From the first one on, every request needs one.
    New {
        /// Who or what will use it.
        name: String,
        /// What it may do: look; also hand jobs in; also make tokens and webhooks.
        #[arg(long, value_name = "SCOPE", default_value = "submit")]
        scope: May,
        #[command(flatten)]
        which: Which,
    },
    /// List the tokens, without their secrets.
    List {
        #[command(flatten)]
        which: Which,
    },
    /// Remove a token: it is refused from now on.
    Remove {
        /// Its id.
        id: String,
        #[command(flatten)]
        which: Which,
    },
}

#[derive(Clone, Copy, Debug, ValueEnum)]
pub(super) enum May {
    Read,
    Submit,
    Admin,
}

impl From<May> for Scope {
    fn from(may: May) -> Scope {
        match may {
            May::Read => Scope::Read,
            May::Submit => Scope::Submit,
            May::Admin => Scope::Admin,
        }
    }
}

pub(super) fn run(cli: &Cli, command: &Token) -> u8 {
    let (Token::New { which, .. } | Token::List { which } | Token::Remove { which, .. }) = command;
    let config = match settings(which, Shops::NotWanted).sound() {
        Ok(config) => config,
        Err(none) => return none.told(cli),
    };
    let runtime = match tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
    {
        Ok(runtime) => runtime,
        Err(e) => {
            complain(cli, &format!("nothing can be started: {e}"), FAILED);
            return FAILED;
        }
    };
    let done = runtime.block_on(async {
        let store = Store::open_beside(&config.store_url()).await?;
        let done = carry_out(cli, command, &store).await;
        store.close().await;
        done
    });
    done.unwrap_or_else(|problem| {
        let exit = match problem {
            TokenProblem::Name => USAGE,
            TokenProblem::Many => ACT,
            TokenProblem::Random(_) | TokenProblem::Store(_) => FAILED,
        };
        complain(cli, &problem.to_string(), exit);
        exit
    })
}

async fn carry_out(cli: &Cli, command: &Token, store: &Store) -> Result<u8, TokenProblem> {
    match command {
        Token::New { name, scope, .. } => {
            let now = jiff::Timestamp::now().as_millisecond();
            let fresh = store.make_token(name, (*scope).into(), now).await?;
            match cli.json {
                true => say(&text::pretty(&json!({
                    "exit": READY, "token": fresh.stored.token, "text": fresh.text,
                }))),
                false => say(&format!("{}\n", fresh.text)),
            }
            Ok(READY)
        }
        Token::List { .. } => {
            let tokens = store.tokens().await?;
            let tokens: Vec<_> = tokens.into_iter().map(|t| t.token).collect();
            if cli.json {
                say(&text::pretty(&json!({ "exit": READY, "tokens": tokens })));
                return Ok(READY);
            }
            for token in &tokens {
                let used = match token.last_used {
                    Some(at) => format!("used {}", moment(at)),
                    None => "not used yet".to_string(),
                };
                say(&format!(
                    "{}  {:6}  made {}, {used}  {}\n",
                    token.id,
                    token.scope.word(),
                    moment(token.created),
                    token.name
                ));
            }
            Ok(READY)
        }
        Token::Remove { id, .. } => {
            if !store.remove_token(id).await? {
                complain(
                    cli,
                    &format!("there is no token {id:?}; `grainway token list` shows all"),
                    ACT,
                );
                return Ok(ACT);
            }
            if store.tokens().await?.is_empty() && !cli.json {
                say(
                    "that was the last one: the service now serves its own machine only, without tokens\n",
                );
            }
            if cli.json {
                say(&text::pretty(&json!({ "exit": READY, "removed": id })));
            }
            Ok(READY)
        }
    }
}

fn moment(millis: i64) -> String {
    jiff::Timestamp::from_millisecond(millis)
        .map(|t| t.strftime("%Y-%m-%d %H:%M UTC").to_string())
        .unwrap_or_default()
}
