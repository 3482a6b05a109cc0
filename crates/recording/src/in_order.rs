//! Work on all cores, with results in the order of the tasks.

use std::collections::BTreeMap;
use std::panic::{AssertUnwindSafe, catch_unwind, resume_unwind};
use std::sync::{Mutex, mpsc};

/// More workers than this only wait for whoever reads the file.
const MOST_WORKERS: usize = 8;

/// Workers that are worth starting on this machine.
pub(crate) fn workers() -> usize {
    std::thread::available_parallelism().map_or(1, usize::from).min(MOST_WORKERS)
}

/// Takes tasks from `next` until it has none, works on them on all cores, and hands the results to `take` in the order of
/// the tasks. Only a few tasks for each worker are under way at a time; a single task is worked on here.
///
/// # Errors
/// The first error of `next` or `take`, after which no more tasks are taken.
pub(crate) fn in_order<T: Send, R: Send, E>(
    mut next: impl FnMut() -> Result<Option<T>, E>,
    work: impl Fn(T) -> R + Sync,
    mut take: impl FnMut(R) -> Result<(), E>,
) -> Result<(), E> {
    let Some(first) = next()? else { return Ok(()) };
    let Some(second) = next()? else { return take(work(first)) };
    let mut waiting = vec![second, first];
    let most = workers();
    let (tasks, queue) = mpsc::channel::<(usize, T)>();
    let queue = Mutex::new(queue);
    std::thread::scope(|scope| {
        // Owned here, so that the workers go home on every way out.
        let tasks = tasks;
        let (done, results) = mpsc::channel::<(usize, std::thread::Result<R>)>();
        let (mut sent, mut taken, mut started) = (0, 0, 0);
        let mut early = BTreeMap::new();
        loop {
            let task = match waiting.pop() {
                Some(task) => Some(task),
                None => next()?,
            };
            let ended = task.is_none();
            if let Some(task) = task {
                if started < most {
                    started += 1;
                    let (done, queue, work) = (done.clone(), &queue, &work);
                    scope.spawn(move || {
                        loop {
                            let task = queue.lock().map(|q| q.recv());
                            let Ok(Ok((number, task))) = task else { return };
                            // A worker that gave up must not leave the others waiting for its result.
                            let result = catch_unwind(AssertUnwindSafe(|| work(task)));
                            if done.send((number, result)).is_err() {
                                return;
                            }
                        }
                    });
                }
                // The queue cannot be closed while it is held here.
                let _ = tasks.send((sent, task));
                sent += 1;
            }
            // Keep every worker busy, but not the memory full; at the end wait for all.
            while taken + early.len() < sent && (ended || sent - taken - early.len() > 2 * most) {
                let Ok((number, result)) = results.recv() else { return Ok(()) };
                early.insert(number, result.unwrap_or_else(|panic| resume_unwind(panic)));
                while let Some(result) = early.remove(&taken) {
                    taken += 1;
                    take(result)?;
                }
            }
            if ended {
                return Ok(());
            }
        }
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn results_come_in_the_order_of_their_tasks() {
        for n in [0_u64, 1, 2, 3, 100, 1000] {
            let mut tasks = 0..n;
            let mut got = Vec::new();
            // Uneven work, so that later tasks are often ready first.
            let work = |i: u64| (0..(i * 7919) % 5000).fold(i, |a, b| a ^ (b ^ b)) + 1;
            let ended = in_order(
                || Ok::<_, ()>(tasks.next()),
                work,
                |r| {
                    got.push(r);
                    Ok(())
                },
            );
            assert_eq!((ended, got), (Ok(()), (1..=n).collect()));
        }
    }

    #[test]
    #[should_panic(expected = "five")]
    fn a_panic_comes_back_instead_of_a_hang() {
        let mut tasks = 0..1000;
        let work = |i: i32| assert!(i != 5, "five");
        let _ = in_order(|| Ok::<_, ()>(tasks.next()), work, |()| Ok(()));
    }

    #[test]
    fn the_first_error_ends_the_work() {
        let mut tasks = 0..1000;
        let take = |r: i32| if r == 5 { Err("five") } else { Ok(()) };
        assert_eq!(in_order(|| Ok(tasks.next()), |i| i, take), Err("five"));
        let mut tasks = 0..1000;
        let next = || if tasks.start == 7 { Err("seven") } else { Ok(tasks.next()) };
        assert_eq!(in_order(next, |i| i, |_| Ok(())), Err("seven"));
    }
}
