//! Progress of long work, on a terminal only.

use indicatif::{ProgressBar, ProgressStyle};
use std::time::Duration;

/// Work shorter than this shows nothing \[ms\].
const QUIET_MS: u64 = 300;

/// A bar over bytes with rate and time left. Hidden when standard error is not a terminal.
pub(crate) fn bytes(label: &str) -> ProgressBar {
    bar(label, "{msg} {wide_bar} {bytes}/{total_bytes} {bytes_per_sec} {eta}")
}

/// A bar over steps.
pub(crate) fn steps(label: &str) -> ProgressBar {
    bar(label, "{msg} {wide_bar} {pos}/{len} {eta}")
}

fn bar(label: &str, template: &str) -> ProgressBar {
    let style = ProgressStyle::with_template(template).unwrap_or_else(|_| ProgressStyle::default_bar());
    let bar = ProgressBar::new(0).with_style(style).with_message(label.to_owned());
    bar.enable_steady_tick(Duration::from_millis(QUIET_MS));
    bar
}
