#![no_main]
mod common;

use libfuzzer_sys::fuzz_target;
use recording::Map;

fuzz_target!(|bytes: &[u8]| common::import(bytes, &Map::default()));
