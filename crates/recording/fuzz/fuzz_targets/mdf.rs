#![no_main]
mod common;

use libfuzzer_sys::fuzz_target;
use recording::Map;

// Identification and version stand, so that no time is spent on finding them.
fuzz_target!(|bytes: &[u8]| {
    let mut file = bytes.to_vec();
    if file.len() >= 64 {
        let magic = if file[20] & 1 == 0 { b"MDF     4.10    " } else { b"UnFinMF 4.10    " };
        file[..16].copy_from_slice(magic);
    }
    common::import(&file, &Map::default());
});
