//! What a person types and reads: arguments, config, notices, reports, exit codes. The only layer with sentences.
//! Does no work of its own: every command is one job or the loop of `daemon`.

pub mod args;
mod commands;
mod config;
mod exit;
mod file;
mod findings;
mod link_config;
mod named;
mod notices;
mod output;
mod progress;
mod report;
mod resolved;
mod shell;
mod span;
mod which_drive;
mod whose;

pub use exit::Exit;

use args::{Args, Command};

/// The values in force for the text of a config, as `config check` prints them: a config that means the
/// same. The error is what it says if it refuses the config.
pub fn config_in_force(text: &str) -> Result<String, String> {
    let config = config::parse(text, std::path::Path::new("config"))?;
    let resolved = resolved::Resolved::of(None, config, &args::Scope::default(), None)
        .map_err(|e| e.to_string())?;
    Ok(commands::config_check::in_force(&resolved))
}

/// Runs a command as typed; the exit code says how it ended.
pub fn run(args: Args) -> Exit {
    let output = output::Output::new(args.color, args.quiet, args.verbose);
    output.start_log();
    let config = args.config.as_deref();
    let ended = match &args.command {
        Command::Watch(scope) => commands::watch::run(config, scope, &output),
        Command::Mirror(scope) => commands::mirror::run(config, scope, &output),
        Command::Status(scope) => commands::status::run(config, scope, &output),
        Command::Audit(scope) => commands::audit::run(config, scope, &output),
        Command::Traffic(traffic) => commands::traffic::run(config, traffic, &output),
        Command::Verify(scope) => commands::verify::run(config, scope, &output),
        Command::Restore(restore) => commands::restore::run(config, restore, &output),
        Command::Acknowledge(acknowledge) => {
            commands::acknowledge::run(config, acknowledge, &output)
        }
        Command::Drives(drives) => commands::drives::run(config, drives, &output),
        Command::Config(check) => commands::config_check::run(config, check, &output),
        Command::Demo(demo) => commands::demo::run(demo, &output),
    };
    ended.unwrap_or_else(|error| {
        output.error(&error);
        error.exit()
    })
}
