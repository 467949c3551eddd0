//! The grainway command.

fn main() -> std::process::ExitCode {
    grainway::command::main()
}
