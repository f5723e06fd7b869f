//! Threads that must never take the processor from control.
//!
//! Duty: to start one by name, niced, so that on two busy cores (or the one of a small board) a
//! commit of the store or a scrape of the metrics waits for a reading, and not the other way round.
//! Linux nices a thread, not a process; where a system does not, the thread runs as any other.

use std::io;
use std::thread::{Builder, JoinHandle};
use std::time::Duration;

/// Added to the niceness of the starter, which ends at 19: the scheduler gives such a thread about a tenth of control's weight.
const NICENESS: i32 = 10;

/// Between two looks at a thread that should end.
const LOOK_AGAIN: Duration = Duration::from_millis(20);

/// Starts a thread that yields to control.
pub fn spawn(name: &str, work: impl FnOnce() + Send + 'static) -> io::Result<JoinHandle<()>> {
    Builder::new().name(name.to_owned()).spawn(move || {
        yield_to_control();
        work();
    })
}

/// Waits for a thread to end, and leaves one that hangs to the end of the process.
pub fn join_within(thread: JoinHandle<()>, patience: Duration) {
    let mut left = patience;
    while !thread.is_finished() && !left.is_zero() {
        std::thread::sleep(LOOK_AGAIN);
        left = left.saturating_sub(LOOK_AGAIN);
    }
    if thread.is_finished() {
        let _ = thread.join();
    }
}

/// Makes the running thread one of them, where somebody else started it.
#[cfg(target_os = "linux")]
pub fn yield_to_control() {
    let me = Some(rustix::thread::gettid());
    let niced = rustix::process::getpriority_process(me)
        .and_then(|own| rustix::process::setpriority_process(me, (own + NICENESS).min(19)));
    if let Err(error) = niced {
        tracing::debug!("a background thread keeps its priority: {error}");
    }
}

/// Makes the running thread one of them, where somebody else started it.
#[cfg(not(target_os = "linux"))]
pub fn yield_to_control() {}

#[cfg(all(test, target_os = "linux"))]
mod tests {
    use super::*;

    #[test]
    fn a_background_thread_is_niced_and_its_starter_is_not() {
        let own = || rustix::process::getpriority_process(Some(rustix::thread::gettid())).unwrap();
        let before = own();
        let (tell, told) = std::sync::mpsc::channel();
        spawn("nice", move || tell.send(own()).unwrap()).unwrap().join().unwrap();
        assert_eq!(told.recv().unwrap(), (before + NICENESS).min(19));
        assert_eq!(own(), before);
    }
}
