#![no_main]
mod common;

use libfuzzer_sys::fuzz_target;
use recording::Map;

// The magic stands at both ends, so that no time is spent on finding it. The Parquet library gives up on some damage, which
// the reader catches: only a panic that gets through ends the run, so the hook that ends it at once is taken out.
fuzz_target!(
    init: std::panic::set_hook(Box::new(|_| {})),
    |bytes: &[u8]| {
        let mut file = bytes.to_vec();
        if file.len() >= 12 {
            let end = file.len() - 4;
            file[..4].copy_from_slice(b"PAR1");
            file[end..].copy_from_slice(b"PAR1");
        }
        common::import(&file, &Map::default());
    }
);
