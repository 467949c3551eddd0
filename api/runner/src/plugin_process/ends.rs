//! How a process ended, as findings, and the strikes of the plugins that ended it.

use crate::registries::UsedPlugins;
use grainway_host::End;
use grainway_host::child::Ended;
use grainway_host::store::Strike;
use grainway_pipeline::finding::{CodeInfo, Finding, Severity, code};

/// A finding of a process that was lost, when the second did well.
pub(super) fn repeated(finding: Finding) -> Finding {
    let message = format!(
        "{} The job went on from the last state it had saved, and came to its end.",
        finding.message
    );
    Finding { message, ..finding }
        .severity(Severity::Warning)
        .remedy("Nothing for this job; report it to the plugin's author.")
}

fn code_of(end: &End) -> &'static CodeInfo {
    match end {
        End::Panicked(_) => &code::PLUGIN_PANICKED,
        End::Refused(_) => &code::PLUGIN_REFUSED,
        End::TimeOut { .. } => &code::PLUGIN_TIMED_OUT,
        End::Memory { .. } => &code::PLUGIN_MEMORY,
        End::Signal(_) | End::Exit(_) => &code::PLUGIN_CRASHED,
        End::Broke(_) | End::Protocol(_) | End::Ok | End::Cancelled => &code::PLUGIN_PROTOCOL,
    }
}

/// The finding of an end: where it was, whose code ran there, what happened, and what it last printed.
pub(super) fn finding_of(ended: &Ended, used: &UsedPlugins<'_>) -> Finding {
    let names: Vec<&str> = used.native().map(|p| p.name.as_str()).collect();
    let with = format!(
        "plugin{} {}",
        if names.len() == 1 { "" } else { "s" },
        names.join(", ")
    );
    let place = match &ended.stage {
        None => format!("The process for {with}, before it began"),
        Some(stage) => match (stage.name.as_str(), &stage.plugin) {
            ("load", Some(plugin)) => format!("Plugin {plugin}, while it was loaded"),
            (name, Some(plugin)) => format!("Plugin {plugin} in stage {name}"),
            (name, None) => format!("Stage {name}, which is built in, beside {with}"),
        },
    };
    let mut message = format!("{place}: {}.", ended.end.sentence().trim_end_matches('.'));
    let last = ended.printed.lines().rev().find(|l| !l.trim().is_empty());
    if let Some(last) = last {
        let shown: String = last.trim().chars().take(160).collect();
        message.push_str(&format!(" It last printed \"{}\".", shown.escape_debug()));
    }
    let finding = Finding::new(code_of(&ended.end), message);
    match ended.end {
        // The plugin may have no part in it.
        End::Signal(9) => finding.remedy(
            "Find out what killed it, in the system's log; if memory ran short, lower `workers` or divide the job. Then hand it in again.",
        ),
        _ => finding,
    }
}

/// Notes in the plugin folder that the plugin at work killed a job. The finding says that the plugin is now switched off, or that the
/// note could not be written.
pub(super) fn strike(ended: &Ended, used: &UsedPlugins<'_>, job: &str) -> Option<Finding> {
    let at_work = ended.stage.as_ref().and_then(|s| s.plugin.as_deref());
    let mut native = used.native();
    let guilty = match (at_work, native.next(), native.next()) {
        (Some(name), ..) => used.native().find(|p| p.name == name),
        (None, only, None) => only,
        _ => None,
    };
    let (plugin, (installed, launcher)) = guilty.zip(used.own_process())?;
    let strike = Strike {
        at: (launcher.clock)(),
        job: job.to_string(),
        end: ended.end.sentence(),
    };
    let store = installed.store();
    match store.strike(&plugin.name, &plugin.sha256, strike) {
        Ok(None) => None,
        Ok(Some(off)) => Some(Finding::new(
            &code::PLUGIN_OFF,
            format!("P{}.", off.strip_prefix('p').unwrap_or(&off)),
        )),
        Err(e) => Some(
            Finding::new(
                &code::PLUGIN_OFF,
                format!(
                    "That plugin {} killed a job could not be noted: {e}.",
                    plugin.name
                ),
            )
            .severity(Severity::Warning)
            .remedy("Make the plugin folder writable for this user."),
        ),
    }
}
