//! `shankline screen`: a whole evening of recordings.

use crate::cli::arguments::ScreenArguments;
use crate::cli::print;
use crate::error::{Error, Result};
use crate::screen::{merge, screen, FolderNames, Manifest, ScreenOptions, Screened};
use std::fmt::Write as _;
use std::io::IsTerminal;
use std::sync::atomic::{AtomicBool, Ordering};

/// Set by an interrupt.
static STOP: AtomicBool = AtomicBool::new(false);

extern "C" fn interrupted(_: libc::c_int) {
    STOP.store(true, Ordering::Relaxed);
}

/// Runs the command.
///
/// # Errors
/// Bad use, a folder that cannot be read, a results folder that cannot be written, or an interruption.
pub fn run(arguments: &ScreenArguments) -> Result<()> {
    // SAFETY: the handler only stores to an atomic. A file over a size limit shall be an error of writing, not the end of the process.
    unsafe {
        let handler = interrupted as extern "C" fn(libc::c_int);
        libc::signal(libc::SIGINT, handler as libc::sighandler_t);
        libc::signal(libc::SIGTERM, handler as libc::sighandler_t);
        libc::signal(libc::SIGXFSZ, libc::SIG_IGN);
    }
    if arguments.merge {
        let (shards, rows) = merge(&arguments.out)?;
        return print(
            &format!(
                "{shards} shards joined, {rows} rows\n  page: {}\n",
                arguments.out.join("index.html").display()
            ),
            true,
        );
    }
    let manifest = match (&arguments.manifest, &arguments.folders) {
        (Some(path), _) => Manifest::read(path)?,
        (None, names) => Manifest::Folders(FolderNames::parse(names).map_err(Error::input)?),
    };
    let options = ScreenOptions {
        folders: arguments.folder.clone(),
        out: arguments.out.clone(),
        manifest,
        jobs: arguments.jobs,
        memory_bytes: arguments.memory.map(|gib| (gib * f64::from(1 << 30)) as u64),
        shard: arguments.shard,
        rules: arguments.rules.clone(),
        again: arguments.again,
    };
    let bar = std::io::stderr().is_terminal().then(|| {
        let bar = indicatif::ProgressBar::no_length();
        if let Ok(style) = indicatif::ProgressStyle::with_template("{msg} {wide_bar} {percent} %, {eta} left") {
            bar.set_style(style);
        }
        bar
    });
    let started = std::time::Instant::now();
    let result = screen(&options, &STOP, &mut |p| {
        let last = p.last.as_ref().map(|(name, said)| format!("{}: {said}", one_line(name)));
        match &bar {
            // By size, since a long recording takes longer than a short one.
            Some(bar) => {
                bar.set_length(p.bytes_total.max(1));
                bar.set_position(p.bytes_done);
                bar.set_message(format!("{} of {}", p.done, p.total));
                if let Some(last) = last {
                    bar.println(last);
                }
            }
            None => {
                if let Some(last) = last {
                    eprintln!("{} of {}  {last}", p.done, p.total);
                }
            }
        }
    });
    if let Some(bar) = &bar {
        bar.finish_and_clear();
    }
    let screened = result?;
    print(&lines(&screened, arguments, started.elapsed().as_secs_f64()), true)?;
    if STOP.load(Ordering::Relaxed) {
        return Err(Error::ours(format!(
            "Stopped with {} recordings left; start the same command again to go on.",
            screened.left
        )));
    }
    match &screened.first_failure {
        // Not the recordings' fault, then.
        Some(why) if screened.checked + screened.refused + screened.kept == 0 => {
            Err(Error::ours(format!("Every check failed; the first because: {why}")))
        }
        _ => Ok(()),
    }
}

/// A name from a file system on one line of a terminal.
fn one_line(name: &str) -> String {
    name.chars()
        .map(|c| {
            if c.is_control() {
                c.escape_default().to_string()
            } else {
                c.to_string()
            }
        })
        .collect()
}

fn lines(s: &Screened, arguments: &ScreenArguments, seconds: f64) -> String {
    let mut out = String::new();
    for note in &s.notes {
        let _ = writeln!(out, "note: {}", one_line(note));
    }
    let _ = writeln!(
        out,
        "{} recordings: {} checked now, {} still held from before, {} cannot be used, {} failed (tried again next time)",
        s.found, s.checked, s.kept, s.refused, s.failed
    );
    let done = s.checked + s.refused + s.failed;
    if done > 0 {
        let _ = writeln!(
            out,
            "  {:.0} s with {} workers, {:.0} recordings an hour, at most {:.2} GiB of memory in the workers",
            seconds,
            s.workers,
            3600.0 * done as f64 / seconds,
            s.peak_bytes as f64 / f64::from(1 << 30)
        );
    }
    match s.rows {
        Some(rows) => {
            let _ = writeln!(out, "  table: {} ({rows} rows)", arguments.out.join("screen.csv").display());
            let _ = writeln!(out, "  page: {}", arguments.out.join("index.html").display());
        }
        None => {
            let _ = writeln!(
                out,
                "  a part only: join the parts with `shankline screen --merge --out {}`",
                arguments.out.display()
            );
        }
    }
    out
}
