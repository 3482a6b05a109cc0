#![no_main]
mod common;

use libfuzzer_sys::fuzz_target;
use recording::Map;

// Any map is refused with a message or written back as the same map, and can be given to a file.
fuzz_target!(|text: &str| {
    let Ok(map) = Map::from_toml_str(text) else { return };
    assert_eq!(Map::from_toml_str(&map.to_toml_string()).ok(), Some(map.clone()));
    common::import(b"Time [s],Speed [km/h],ay_g,Fuel [l],w_fl_radps\n0,36,0.1,3,9\n0.02,37,0.2,3,9\n", &map);
});
