//! The process of one job, for the workers that the tests run.

fn main() -> std::process::ExitCode {
    let mut arguments = std::env::args_os().skip(1);
    match arguments
        .next()
        .is_some_and(|a| a == grainway_runner::JOB_PROCESS)
    {
        true => grainway_runner::job_process(arguments),
        false => std::process::ExitCode::from(2),
    }
}
