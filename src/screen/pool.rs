//! Worker processes, each looked after by a thread of this one: given recordings, watched for memory and standstill, started anew where one falls.

use super::memory;
use super::worker::{Job, Setup, Word};
use crate::error::{Error, Result};
use crossbeam_channel::{Receiver, RecvTimeoutError, Sender};
use std::collections::VecDeque;
use std::io::{BufRead, BufReader, Read, Write};
use std::os::unix::process::{CommandExt, ExitStatusExt};
use std::path::Path;
use std::process::{Child, ChildStdin, Command, Stdio};
use std::sync::atomic::{AtomicBool, AtomicU64, Ordering};
use std::sync::Mutex;
use std::time::{Duration, Instant};

/// A worker that holds so much between two recordings has grown: it begins with some 350 MiB and should stay there.
const WORN_BYTES: u64 = 800 << 20;
/// A worker that says nothing for this long is stopped.
const STANDSTILL: Duration = Duration::from_secs(300);

/// How often memory and the wish to stop are looked at.
const LOOK: Duration = Duration::from_millis(200);

/// How the pool is run.
pub(super) struct PoolOptions {
    pub workers: usize,
    /// Bytes that one worker and its decoder may hold.
    pub share_bytes: u64,
    pub setup: Setup,
}

/// What came of one job.
pub(super) enum Came {
    Word(Word),
    /// The worker fell, stood still or grew too large.
    Fell(String),
}

/// Largest memory seen, summed over the workers at one time.
#[derive(Default)]
pub(super) struct Peak {
    now: Mutex<Vec<u64>>,
    largest: AtomicU64,
}

impl Peak {
    fn note(&self, worker: usize, bytes: u64) {
        let Ok(mut now) = self.now.lock() else { return };
        if now.len() <= worker {
            now.resize(worker + 1, 0);
        }
        now[worker] = bytes;
        self.largest.fetch_max(now.iter().sum(), Ordering::Relaxed);
    }

    pub(super) fn bytes(&self) -> u64 {
        self.largest.load(Ordering::Relaxed)
    }
}

/// Runs every job and hands what came of it, with the job's number, to `take` on this thread, in the order in which they end. Stops early where `stop` is set or `take`
/// fails; then jobs under way are dropped.
pub(super) fn run(
    jobs: Vec<Job>,
    options: &PoolOptions,
    stop: &AtomicBool,
    peak: &Peak,
    take: &mut dyn FnMut(usize, Came) -> Result<()>,
) -> Result<()> {
    let queue: Mutex<VecDeque<(usize, Job)>> = Mutex::new(jobs.into_iter().enumerate().collect());
    let halt = AtomicBool::new(false);
    let (results, came) = crossbeam_channel::unbounded::<Result<(usize, Came)>>();
    std::thread::scope(|scope| {
        for number in 0..options.workers {
            let (results, queue, halt) = (results.clone(), &queue, &halt);
            scope.spawn(move || {
                if let Err(e) = tend(
                    number,
                    options,
                    queue,
                    &results,
                    &|| stop.load(Ordering::Relaxed) || halt.load(Ordering::Relaxed),
                    peak,
                ) {
                    let _ = results.send(Err(e));
                }
            });
        }
        drop(results);
        let mut outcome = Ok(());
        for result in came {
            if outcome.is_ok() {
                outcome = result.and_then(|(at, what)| take(at, what));
                if outcome.is_err() {
                    halt.store(true, Ordering::Relaxed);
                }
            }
        }
        outcome
    })
}

/// One worker's life: started when there is something to do, started anew when it falls.
fn tend(
    number: usize,
    options: &PoolOptions,
    queue: &Mutex<VecDeque<(usize, Job)>>,
    results: &Sender<Result<(usize, Came)>>,
    stopping: &dyn Fn() -> bool,
    peak: &Peak,
) -> Result<()> {
    let mut worker: Option<Worker> = None;
    loop {
        if stopping() {
            return Ok(());
        }
        let Some((at, job)) = queue.lock().ok().and_then(|mut q| q.pop_front()) else {
            return Ok(());
        };
        let mut running = match worker.take() {
            Some(running) => running,
            None => match Worker::start(options, stopping)? {
                Some(started) => started,
                None => return Ok(()),
            },
        };
        let ended = running.check(&job, options.share_bytes, stopping, &|bytes| peak.note(number, bytes));
        match ended {
            Ended::Said(Word::Stopped { sentence, ours }) => {
                return Err(if ours { Error::ours(sentence) } else { Error::input(sentence) });
            }
            Ended::Said(word) => {
                // What checks leave behind adds up over an evening: a worker that has grown is replaced between two recordings, before its share would end one.
                if memory::held_bytes(running.child.id()) < WORN_BYTES.min(options.share_bytes / 4 * 3) {
                    worker = Some(running);
                } else {
                    peak.note(number, 0);
                }
                let _ = results.send(Ok((at, Came::Word(word))));
            }
            Ended::Fell(why) => {
                peak.note(number, 0);
                let _ = results.send(Ok((at, Came::Fell(why))));
            }
            Ended::Stopping => return Ok(()),
        }
    }
}

/// What a fallen worker had to say: the sentence of a panic, else its last line.
fn complaint(text: &str) -> String {
    let mut lines = text.lines().map(str::trim).filter(|l| !l.is_empty());
    let panic = lines.by_ref().find(|l| l.contains(" panicked at ")).and_then(|_| lines.next());
    panic
        .or_else(|| text.lines().rev().map(str::trim).find(|l| !l.is_empty()))
        .unwrap_or("")
        .to_string()
}

enum Ended {
    Said(Word),
    Fell(String),
    Stopping,
}

struct Worker {
    child: Child,
    input: ChildStdin,
    words: Receiver<Word>,
    complaints: Receiver<String>,
}

impl Drop for Worker {
    fn drop(&mut self) {
        let _ = self.child.kill();
        let _ = self.child.wait();
    }
}

impl Worker {
    /// `None` where the run is being stopped.
    fn start(options: &PoolOptions, stopping: &dyn Fn() -> bool) -> Result<Option<Self>> {
        let cannot = |e: std::io::Error| Error::ours(format!("A worker process cannot be started ({e})."));
        // The program that runs, even where its file was replaced or removed in the meantime.
        let itself = Path::new("/proc/self/exe");
        let program = if itself.exists() {
            itself.to_path_buf()
        } else {
            std::env::current_exe().map_err(cannot)?
        };
        let mut command = Command::new(program);
        command
            .arg("screen-worker")
            .stdin(Stdio::piped())
            .stdout(Stdio::piped())
            .stderr(Stdio::piped())
            // A group of its own: an interrupt from the terminal goes to this process, which then stops its workers.
            .process_group(0);
        // SAFETY: between fork and exec only an async-signal-safe call is made.
        unsafe {
            command.pre_exec(|| {
                // However this process ends, its workers end with it.
                libc::prctl(libc::PR_SET_PDEATHSIG, libc::SIGKILL);
                Ok(())
            });
        }
        let mut child = command.spawn().map_err(cannot)?;
        let (Some(input), Some(output), Some(errors)) = (child.stdin.take(), child.stdout.take(), child.stderr.take()) else {
            return Err(Error::ours("A worker process has no pipes."));
        };
        let (say, words) = crossbeam_channel::unbounded();
        std::thread::spawn(move || {
            for line in BufReader::new(output).lines() {
                let Ok(line) = line else { break };
                // Whatever else writes to standard output is no word of ours.
                if let Ok(word) = serde_json::from_str(&line) {
                    if say.send(word).is_err() {
                        break;
                    }
                }
            }
        });
        let (complain, complaints) = crossbeam_channel::bounded(1);
        std::thread::spawn(move || {
            let mut errors = errors;
            let mut last = Vec::new();
            let mut part = [0; 4096];
            while let Ok(n @ 1..) = errors.read(&mut part) {
                last.extend_from_slice(&part[..n]);
                let surplus = last.len().saturating_sub(64 * 1024);
                last.drain(..surplus);
            }
            let text = String::from_utf8_lossy(&last);
            let _ = complain.send(complaint(&text));
        });
        let mut worker = Self {
            child,
            input,
            words,
            complaints,
        };
        if !worker.tell(&options.setup) {
            return Err(Error::ours(format!("A worker process ended at once{}.", worker.last_words())));
        }
        loop {
            match worker.words.recv_timeout(LOOK) {
                Ok(Word::Ready) => return Ok(Some(worker)),
                Ok(Word::Stopped { sentence, ours }) => return Err(if ours { Error::ours(sentence) } else { Error::input(sentence) }),
                Ok(_) => {}
                Err(RecvTimeoutError::Timeout) if stopping() => return Ok(None),
                Err(RecvTimeoutError::Timeout) => {}
                Err(RecvTimeoutError::Disconnected) => {
                    return Err(Error::ours(format!(
                        "A worker process ended before it could begin{}.",
                        worker.last_words()
                    )))
                }
            }
        }
    }

    fn tell(&mut self, what: &impl serde::Serialize) -> bool {
        serde_json::to_string(what).is_ok_and(|line| writeln!(self.input, "{line}").and_then(|()| self.input.flush()).is_ok())
    }

    fn check(&mut self, job: &Job, share_bytes: u64, stopping: &dyn Fn() -> bool, note: &dyn Fn(u64)) -> Ended {
        if !self.tell(job) {
            return Ended::Fell(format!("The program stopped unexpectedly on this recording{}.", self.last_words()));
        }
        let mut heard = Instant::now();
        loop {
            let word = self.words.recv_timeout(LOOK);
            let held = memory::held_bytes(self.child.id());
            note(held);
            match word {
                Ok(Word::Progress(_)) => heard = Instant::now(),
                Ok(Word::Ready) => {}
                Ok(word) => return Ended::Said(word),
                Err(RecvTimeoutError::Disconnected) => {
                    return Ended::Fell(format!("The program stopped unexpectedly on this recording{}.", self.last_words()))
                }
                Err(RecvTimeoutError::Timeout) => {}
            }
            if stopping() {
                return Ended::Stopping;
            }
            if held > share_bytes {
                let _ = self.child.kill();
                return Ended::Fell(format!(
                    "The check needed more than {:.1} GiB of memory and was stopped; give more with --memory, or fewer --jobs.",
                    share_bytes as f64 / f64::from(1 << 30)
                ));
            }
            if heard.elapsed() > STANDSTILL {
                let _ = self.child.kill();
                return Ended::Fell(format!("The check stood still for {} s and was stopped.", STANDSTILL.as_secs()));
            }
        }
    }

    /// ` (signal 11; its last words: …)`, or nothing where nothing is known.
    fn last_words(&mut self) -> String {
        let status = self.child.wait().ok();
        let mut parts = Vec::new();
        if let Some(status) = status {
            if let Some(signal) = status.signal() {
                parts.push(format!("signal {signal}"));
            } else if let Some(code) = status.code().filter(|c| *c != 0) {
                parts.push(format!("exit code {code}"));
            }
        }
        if let Ok(line) = self.complaints.recv_timeout(Duration::from_secs(1)) {
            if !line.is_empty() {
                parts.push(format!("its last words: {line}"));
            }
        }
        if parts.is_empty() {
            String::new()
        } else {
            format!(" ({})", parts.join("; "))
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_panics_sentence_is_told_and_else_the_last_line() {
        let panic = "ready\n\nthread 'main' (1) panicked at src/a.rs:1:1:\nno such leg\nstack backtrace:\n   0: a\nnote: run with more\n";
        assert_eq!(complaint(panic), "no such leg");
        assert_eq!(complaint("first\nlast words \n\n"), "last words");
        assert_eq!(complaint(""), "");
    }
}
