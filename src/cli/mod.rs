//! The command line: arguments in, a few lines for a person out.

pub mod agree;
pub mod arguments;
pub mod bench;
pub mod check;
pub mod export;
pub mod floor;
pub mod join;
pub mod says;
pub mod screen;
pub mod sheet;
pub mod stand;

use crate::error::Error;
use crate::pose::models::ModelFolder;
use crate::rules::RuleProfile;
use arguments::{Arguments, Command};
use clap::{CommandFactory, FromArgMatches};
use std::io::Write;
use std::process::ExitCode;

/// Parses the process's arguments, runs the command and gives the exit code: 0 done, 2 bad use or bad input, 1 our failure.
pub fn main() -> ExitCode {
    let matches = match Arguments::command().version(version_line()).try_get_matches() {
        Ok(matches) => matches,
        Err(e) => {
            match value_error(&e) {
                Some(sentence) => eprintln!("shankline: {sentence}"),
                None => {
                    // A terminal that is gone cannot be told so.
                    let _ = e.print();
                }
            }
            return ExitCode::from(u8::try_from(e.exit_code()).unwrap_or(2));
        }
    };
    let result = Arguments::from_arg_matches(&matches)
        .map_err(|e| Error::input(e.to_string()))
        .and_then(run);
    match result {
        Ok(()) => ExitCode::SUCCESS,
        Err(e) => {
            eprintln!("shankline: {e}");
            ExitCode::from(u8::try_from(e.exit_code()).unwrap_or(1))
        }
    }
}

/// A refused value in one sentence; `None` for everything else, where the usage lines help.
fn value_error(error: &clap::Error) -> Option<String> {
    use clap::error::{ContextKind, ErrorKind};
    if error.kind() != ErrorKind::ValueValidation {
        return None;
    }
    let reason = std::error::Error::source(error)?;
    Some(format!("{} cannot be used: {reason}.", error.get(ContextKind::InvalidArg)?))
}

fn run(arguments: Arguments) -> crate::Result<()> {
    match arguments.command {
        Command::Check(check) => check::run(&check),
        Command::Join(join) => join::run(&join),
        Command::Floor(floor) => floor::run(&floor),
        Command::Export(export) => export::run(&export),
        Command::Sheet(sheet) => sheet::run(&sheet),
        Command::Screen(screen) => screen::run(&screen),
        Command::Agree(agree) => agree::run(&agree),
        Command::ScreenWorker => crate::screen::work(),
        Command::Bench(bench) => bench::run(&bench),
        Command::Where(place) => stand::run(&place),
        Command::Rules(rules) => {
            let profile = RuleProfile::of(rules.rules.as_deref())?;
            print(if rules.file { crate::rules::profile::SHIPPED } else { "" }, rules.file)?;
            print(&profile.in_words(), !rules.file)
        }
        Command::Completions { shell } => {
            let mut out = Vec::new();
            clap_complete::generate(shell, &mut Arguments::command(), "shankline", &mut out);
            print(&String::from_utf8_lossy(&out), true)
        }
        Command::Manual => {
            let mut out = Vec::new();
            let ours = |e: std::io::Error| Error::ours(format!("The manual page cannot be made ({e})."));
            clap_mangen::Man::new(Arguments::command()).render(&mut out).map_err(ours)?;
            for sub in Arguments::command().get_subcommands().filter(|s| !s.is_hide_set()) {
                let name = format!("shankline-{}", sub.get_name());
                clap_mangen::Man::new(sub.clone().name(name)).render(&mut out).map_err(ours)?;
            }
            print(&String::from_utf8_lossy(&out), true)
        }
    }
}

/// Writes to standard output; a reader that closed the pipe (`| head`) is not a failure.
pub(crate) fn print(text: &str, wanted: bool) -> crate::Result<()> {
    if !wanted {
        return Ok(());
    }
    match std::io::stdout()
        .write_all(text.as_bytes())
        .and_then(|()| std::io::stdout().flush())
    {
        Ok(()) => Ok(()),
        Err(e) if e.kind() == std::io::ErrorKind::BrokenPipe => Ok(()),
        Err(e) => Err(Error::ours(format!("The answer cannot be written to standard output ({e})."))),
    }
}

/// Code, networks and rule profile by version and hash.
fn version_line() -> String {
    let rules = RuleProfile::shipped();
    let networks = crate::pose::models::default_folder()
        .and_then(|folder| ModelFolder::open(&folder))
        .map(|m| {
            m.short_hashes()
                .into_iter()
                .map(|(n, h)| format!("{n} {h}"))
                .collect::<Vec<_>>()
                .join(", ")
        })
        .unwrap_or_else(|e| format!("not found ({e})"));
    format!(
        "{}; networks: {networks}; rules: {} {}",
        env!("CARGO_PKG_VERSION"),
        rules.name,
        &rules.sha256[..12]
    )
}
