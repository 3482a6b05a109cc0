//! The example of `docs/map-file.md` is a map, and does what the page says.
#![allow(clippy::unwrap_used)]

use channels::{Channel, Wheel};
use recording::{Map, Source, read};

#[test]
fn the_documented_map_works() {
    let page = include_str!("../../../docs/map-file.md");
    let (_, rest) = page.split_once("```toml\n").unwrap();
    let map = Map::from_toml_str(rest.split_once("```").unwrap().0).unwrap();
    let text = b"t;ay_g;ay_raw;w_fl_radps;fuel_l;comment\n0,0;0,5;x;100;10;a\n0,1;-0,5;x;100;10;b\n";
    let r = read(Source::Bytes { name: "d", bytes: text }, &map, &mut |_| {}).unwrap();
    let first = |c| r.samples.get(c).unwrap().values[0];
    assert!((first(Channel::AccelY) + 0.5 * 9.80665).abs() < 1e-12);
    assert!((first(Channel::WheelSpeed(Wheel::Fl)) - 33.0).abs() < 1e-12);
    assert!((first(Channel::Fuel) - 7.45).abs() < 1e-12);
}

/// North is 90° anticlockwise from x (east); a compass counts clockwise from north.
#[test]
fn a_compass_heading_is_turned_as_documented() {
    let map = Map::from_toml_str("[channels.heading]\nunit = 'deg'\nsign = -1\noffset = -90").unwrap();
    let text = b"t;heading\n0;0\n1;90\n2;180\n";
    let r = read(Source::Bytes { name: "d", bytes: text }, &map, &mut |_| {}).unwrap();
    let values = r.samples.get(Channel::Heading).unwrap().values;
    let quarter = std::f64::consts::FRAC_PI_2;
    for (got, expected) in values.iter().zip([quarter, 0.0, -quarter]) {
        assert!((got - expected).abs() < 1e-12, "{values:?}");
    }
}
