//! How long work shows that it goes on: a bar on a terminal, plain lines anywhere else.
//!
//! The rule of this file: progress goes to standard error, so that what a command prints can be piped; and plain lines
//! are few, at most one for each tenth of the work.

use std::io::IsTerminal as _;
use std::sync::atomic::{AtomicU64, Ordering};

use indicatif::{ProgressBar, ProgressDrawTarget, ProgressStyle};

/// Work of a known size.
#[derive(Debug)]
pub struct Progress {
    label: String,
    total: u64,
    done: AtomicU64,
    bar: Option<ProgressBar>,
}

impl Progress {
    /// Starts showing work of `total` steps.
    #[must_use]
    pub fn start(label: impl Into<String>, total: u64) -> Self {
        let label = label.into();
        let bar = std::io::stderr().is_terminal().then(|| {
            let style = ProgressStyle::with_template("{msg} [{bar:32}] {pos}/{len} {elapsed_precise}")
                .unwrap_or_else(|_| ProgressStyle::default_bar())
                .progress_chars("=> ");
            let bar = ProgressBar::with_draw_target(Some(total), ProgressDrawTarget::stderr()).with_style(style);
            bar.set_message(label.clone());
            bar.tick();
            bar
        });
        if bar.is_none() {
            eprintln!("{label}: 0 of {total}");
        }
        Self { label, total, done: AtomicU64::new(0), bar }
    }

    /// So many steps more are done. May be called from several threads.
    pub fn advance(&self, steps: u64) {
        let before = self.done.fetch_add(steps, Ordering::Relaxed);
        let after = before + steps;
        match &self.bar {
            Some(bar) => bar.inc(steps),
            None if tenths(before, self.total) < tenths(after, self.total) => {
                eprintln!("{}: {after} of {}", self.label, self.total);
            }
            None => {}
        }
    }

    /// Says a line without tearing the bar.
    pub fn note(&self, line: &str) {
        match &self.bar {
            Some(bar) => bar.suspend(|| eprintln!("{line}")),
            None => eprintln!("{line}"),
        }
    }

    /// Ends the showing; the last state stays on the screen.
    pub fn finish(self) {
        if let Some(bar) = &self.bar {
            bar.finish();
        }
    }
}

/// How many tenths of the work are done.
fn tenths(done: u64, total: u64) -> u64 {
    done.saturating_mul(10).checked_div(total).unwrap_or(10)
}

#[cfg(test)]
mod tests {
    use super::tenths;

    #[test]
    fn however_long_the_work_there_are_ten_lines_at_most() {
        for total in [1, 3, 10, 999, 100_000] {
            let lines = (0..total).filter(|done| tenths(*done, total) < tenths(done + 1, total)).count();
            assert!((1..=10).contains(&lines), "{lines} lines for {total} steps");
        }
    }

    #[test]
    fn work_of_no_steps_is_done_from_the_start() {
        assert_eq!(tenths(0, 0), 10);
    }
}
