//! Independent pieces of work on several threads.

use crate::error::{Error, Result};

/// `of(0)`, `of(1)`, … `of(count - 1)` in order, worked out on `threads` threads that take turns.
///
/// # Errors
/// [`Error::Ours`] where a thread fails; `what` names the work in the sentence.
pub fn in_order<T: Send>(count: usize, threads: usize, what: &str, of: impl Fn(usize) -> T + Sync) -> Result<Vec<T>> {
    let threads = threads.clamp(1, count.max(1));
    let mut done: Vec<(usize, T)> = std::thread::scope(|scope| {
        let workers: Vec<_> = (0..threads)
            .map(|t| {
                let of = &of;
                scope.spawn(move || (t..count).step_by(threads).map(|k| (k, of(k))).collect::<Vec<_>>())
            })
            .collect();
        workers.into_iter().filter_map(|w| w.join().ok()).flatten().collect()
    });
    if done.len() != count {
        return Err(Error::ours(format!("A thread of the {what} failed.")));
    }
    done.sort_by_key(|(k, _)| *k);
    Ok(done.into_iter().map(|(_, value)| value).collect())
}
