//! From the headings of files to the channel vocabulary.
//!
//! A heading is taken apart into words (case, blanks, dashes, underscores and camel case do not matter), a wheel is found
//! in any of its spellings, and the rest is looked up. Nothing is recognised by a part of its name: an unknown word
//! means an unknown column, which the user can map.

use crate::report::Guess as Scored;
use channels::{Channel, Dimension, Unit, UnknownUnit, Wheel, edit_distance};
use std::collections::HashMap;
use std::sync::LazyLock;

/// A heading as it stands in a file, taken apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Heading {
    /// Whole text, trimmed.
    pub(crate) text: String,
    /// Without the unit.
    pub(crate) name: String,
    /// Unit in brackets, in the field's metadata or in a line of units.
    pub(crate) unit: Option<String>,
}

impl Heading {
    /// `Speed [km/h]`, `time(s)`, `lap`.
    pub(crate) fn new(text: &str) -> Self {
        let text = text.trim();
        let bracketed =
            [('[', ']'), ('(', ')'), ('{', '}'), ('<', '>')].into_iter().find_map(|(open, close)| {
                let inner = text.strip_suffix(close)?;
                let at = inner.rfind(open)?;
                Some((inner[..at].trim(), inner[at + open.len_utf8()..].trim()))
            });
        match bracketed {
            Some((name, unit)) if !name.is_empty() => {
                Self { text: text.to_owned(), name: name.to_owned(), unit: Some(unit.to_owned()) }
            }
            _ => Self { text: text.to_owned(), name: text.to_owned(), unit: None },
        }
    }

    /// The same with a unit from outside the name; a unit in the name wins.
    pub(crate) fn with_unit(text: &str, unit: Option<String>) -> Self {
        let mut heading = Self::new(text);
        if heading.unit.is_none() {
            heading.unit = unit.map(|u| u.trim().to_owned()).filter(|u| !u.is_empty());
        }
        heading
    }

    /// Whether `name` in a map means this column: the whole heading or its name, whatever the case.
    pub(crate) fn is(&self, name: &str) -> bool {
        let name = name.trim().to_lowercase();
        self.text.to_lowercase() == name || self.name.to_lowercase() == name
    }
}

/// How sure a name is.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(crate) enum Confidence {
    Spelling,
    Vocabulary,
}

/// What a heading means.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Guess {
    pub(crate) channel: Channel,
    pub(crate) confidence: Confidence,
    pub(crate) unit: UnitFit,
}

/// How the unit of a heading fits its channel.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum UnitFit {
    /// Stated and fitting, or implied by the name ('rpm').
    Stated(Unit),
    /// Nothing stated.
    Assumed(Unit),
    /// Fuel by volume: a density is needed.
    Volume(Unit),
    /// Wheel speed as a rate of rotation: a radius is needed.
    Rotation(Unit),
    /// A known unit of another kind.
    Other(Unit),
    /// Not in the table.
    Unknown(UnknownUnit),
}

/// Finds the channel of a heading.
pub(crate) fn recognise(heading: &Heading) -> Option<Guess> {
    if let Some(unit) = &heading.unit {
        let guess = recognise_name(&heading.name).map(|(channel, confidence, _)| Guess {
            channel,
            confidence,
            unit: fit(channel, unit),
        });
        // `Steering (wheel angle)`: round brackets may hold a part of the name as well as a unit.
        let unit_is_none = guess.as_ref().is_none_or(|g| matches!(g.unit, UnitFit::Unknown(_)));
        return if unit_is_none && heading.text.ends_with(')') { bare(&heading.text) } else { guess };
    }
    bare(&heading.name)
}

/// A name without brackets: with a unit as its last word, else without one.
fn bare(name: &str) -> Option<Guess> {
    let with_unit = unit_splits(name).into_iter().find_map(|(stem, symbol)| {
        let (channel, confidence, _) = recognise_name(&stem)?;
        let unit = fit(channel, &symbol);
        let known = matches!(unit, UnitFit::Stated(_) | UnitFit::Volume(_) | UnitFit::Rotation(_));
        known.then_some(Guess { channel, confidence, unit })
    });
    with_unit.or_else(|| {
        let (channel, confidence, implied) = recognise_name(name)?;
        let unit = match implied {
            Some(symbol) => fit(channel, symbol),
            None => UnitFit::Assumed(default_unit(channel)),
        };
        Some(Guess { channel, confidence, unit })
    })
}

/// The unit that a heading without one is read in. SI, but angles on the globe are written in degrees everywhere.
fn default_unit(channel: Channel) -> Unit {
    let degrees = matches!(channel, Channel::Latitude | Channel::Longitude);
    let globe = degrees.then(|| Unit::parse("deg", Some(Dimension::Angle)).ok()).flatten();
    globe.unwrap_or_else(|| Unit::si(channel.dimension()))
}

/// How the symbol fits the channel.
pub(crate) fn fit(channel: Channel, symbol: &str) -> UnitFit {
    if symbol.trim().is_empty() && !is_pure_number(channel.dimension()) {
        return UnitFit::Assumed(default_unit(channel));
    }
    let wanted = Unit::parse(symbol, Some(channel.dimension()));
    let other = |d| Unit::parse(symbol, Some(d)).ok();
    match (wanted, channel) {
        (Ok(unit), _) => UnitFit::Stated(unit),
        (Err(_), Channel::Fuel) if other(Dimension::Volume).is_some() => {
            other(Dimension::Volume).map_or_else(|| UnitFit::Assumed(default_unit(channel)), UnitFit::Volume)
        }
        (Err(_), Channel::WheelSpeed(_)) if other(Dimension::AngularRate).is_some() => {
            other(Dimension::AngularRate)
                .map_or_else(|| UnitFit::Assumed(default_unit(channel)), UnitFit::Rotation)
        }
        (Err(unknown), _) => Unit::parse(symbol, None).map_or(UnitFit::Unknown(unknown), UnitFit::Other),
    }
}

/// Whether values of the dimension have no unit of their own.
pub(crate) fn is_pure_number(dimension: Dimension) -> bool {
    matches!(dimension, Dimension::Ratio | Dimension::Count | Dimension::Flag)
}

/// Ways to read the end of a name as a unit: `v_mps`, `speed_km_h`, `Speed km/h`, `speedKmh`.
fn unit_splits(name: &str) -> Vec<(String, String)> {
    let mut splits = Vec::new();
    for separator in ['_', ' '] {
        if let Some((stem, symbol)) = name.trim().rsplit_once(separator) {
            splits.push((stem.to_owned(), symbol.to_owned()));
            if let Some((stem, first)) = stem.rsplit_once(separator) {
                splits.push((stem.to_owned(), format!("{first}/{symbol}")));
            }
        }
    }
    let mut words = words(name);
    if let Some(last) = words.pop().filter(|_| !words.is_empty()) {
        splits.push((words.join(" "), last));
    }
    splits.retain(|(stem, symbol)| !stem.is_empty() && !symbol.is_empty());
    splits
}

/// Words of a name: split at everything that is no letter or digit, and where camel case turns.
fn words(name: &str) -> Vec<String> {
    let mut words: Vec<String> = Vec::new();
    let mut word = String::new();
    let chars: Vec<char> = name.chars().collect();
    for (i, &c) in chars.iter().enumerate() {
        if !c.is_alphanumeric() {
            words.extend((!word.is_empty()).then(|| std::mem::take(&mut word)));
            continue;
        }
        let after_lower = i > 0 && chars[i - 1].is_lowercase() && c.is_uppercase();
        // `FLWheel`: the last capital of a run belongs to the next word.
        let before_lower = i > 0
            && chars[i - 1].is_uppercase()
            && c.is_uppercase()
            && chars.get(i + 1).is_some_and(|n| n.is_lowercase());
        if (after_lower || before_lower) && !word.is_empty() {
            words.push(std::mem::take(&mut word));
        }
        word.extend(c.to_lowercase());
    }
    words.extend((!word.is_empty()).then_some(word));
    words
}

/// Words that mean the same, brought to one.
fn synonym(word: &str) -> &str {
    match word {
        "tire" | "tires" | "tyres" | "tyr" | "tir" => "tyre",
        "temperature" | "temperatures" | "temps" => "temp",
        "press" | "pres" | "pressures" => "pressure",
        "acceleration" | "acc" | "acceler" => "accel",
        "vel" => "velocity",
        "pos" => "position",
        "dist" => "distance",
        "brk" | "brakes" => "brake",
        "thr" => "throttle",
        "susp" | "suspension" | "shock" | "dampers" => "damper",
        "lateral" => "lat",
        "longitudinal" => "long",
        "vertical" => "vert",
        "centre" | "center" | "mid" => "middle",
        "inside" => "inner",
        "outside" => "outer",
        "disk" | "rotor" | "discs" => "disc",
        "revs" | "revolutions" => "rpm",
        "whl" | "wheels" => "wheel",
        "ang" => "angle",
        "spd" => "speed",
        "str" => "steer",
        "eng" => "engine",
        w => w,
    }
}

/// The wheel in a list of words, and the words without it.
fn take_wheel(words: &[String]) -> Vec<(Wheel, Vec<String>)> {
    let single = |w: &str| match w {
        "fl" | "lf" | "frontleft" | "leftfront" => Some(Wheel::Fl),
        "fr" | "rf" | "frontright" | "rightfront" => Some(Wheel::Fr),
        "rl" | "lr" | "rearleft" | "leftrear" | "backleft" | "bl" => Some(Wheel::Rl),
        "rr" | "rearright" | "rightrear" | "backright" | "br" => Some(Wheel::Rr),
        _ => None,
    };
    let mut found = Vec::new();
    for (i, word) in words.iter().enumerate() {
        if let Some(wheel) = single(word) {
            found.push((wheel, [&words[..i], &words[i + 1..]].concat()));
        }
        if let Some(next) = words.get(i + 1)
            && let Some(wheel) = single(&format!("{word}{next}"))
        {
            found.push((wheel, [&words[..i], &words[i + 2..]].concat()));
        }
    }
    // `wheelspeedfl`, `tyrepressurerearleft`
    if let [word] = words {
        for end in
            ["frontleft", "frontright", "rearleft", "rearright", "fl", "fr", "rl", "rr", "lf", "rf", "lr"]
        {
            if let (Some(stem), Some(wheel)) = (word.strip_suffix(end), single(end)) {
                found.push((wheel, vec![stem.to_owned()]));
            }
        }
    }
    found
}

type Entry = (Channel, Confidence, Option<&'static str>);

/// Channel of a name without a unit; the unit that the name implies, if it does.
fn recognise_name(name: &str) -> Option<Entry> {
    let words: Vec<String> = words(name).iter().map(|w| synonym(w).to_owned()).collect();
    if let Some(&entry) = LOOKUP.get(&words.concat()) {
        return Some(entry);
    }
    take_wheel(&words).into_iter().find_map(|(wheel, rest)| {
        let (channel, confidence, implied) = *WHEEL_LOOKUP.get(&rest.concat())?;
        Some((channel.on(wheel), confidence, implied))
    })
}

static LOOKUP: LazyLock<HashMap<String, Entry>> = LazyLock::new(|| lookup(false));
static WHEEL_LOOKUP: LazyLock<HashMap<String, Entry>> = LazyLock::new(|| lookup(true));

/// Key of a spelling: its words without blanks.
fn key(name: &str) -> String {
    words(name).iter().map(|w| synonym(w)).collect()
}

fn lookup(wheels: bool) -> HashMap<String, Entry> {
    let mut map = HashMap::new();
    for channel in Channel::all().filter(|c| c.wheel().is_some() == wheels) {
        map.entry(key(channel.stem())).or_insert((channel, Confidence::Vocabulary, None));
    }
    for (stem, spellings) in SPELLINGS {
        let Some(channel) = Channel::all().find(|c| c.stem() == *stem && c.wheel().is_some() == wheels)
        else {
            continue;
        };
        for spelling in *spellings {
            let (name, implied) = spelling.split_once('=').map_or((*spelling, None), |(n, u)| (n, Some(u)));
            map.entry(key(name)).or_insert((channel, Confidence::Spelling, implied));
        }
    }
    map
}

/// Common spellings of each channel, after [`synonym`]; `name=unit` where the name implies the unit. Common practice, no
/// source.
static SPELLINGS: &[(&str, &[&str])] = &[
    (
        "time",
        &[
            "t",
            "time stamp",
            "timestamp",
            "elapsed",
            "elapsed time",
            "session time",
            "recording time",
            "log time",
            "time since start",
        ],
    ),
    ("lap", &["lap number", "lap no", "lap num", "lap count", "lap counter", "current lap", "lap index"]),
    (
        "lap_distance",
        &["distance lap", "distance in lap", "distance along lap", "distance on lap", "distance round lap"],
    ),
    (
        "distance",
        &[
            "distance driven",
            "distance travelled",
            "distance traveled",
            "travelled distance",
            "total distance",
        ],
    ),
    ("x", &["position x", "x position", "world x", "east", "easting"]),
    ("y", &["position y", "y position", "world y", "north", "northing"]),
    ("z", &["position z", "z position", "world z", "altitude", "alt", "elevation", "height"]),
    ("latitude", &["lat", "position latitude"]),
    ("longitude", &["long", "lon", "lng", "position longitude"]),
    ("speed", &["v", "velocity", "ground speed", "vehicle speed", "car speed", "speed over ground", "v car"]),
    ("velocity_x", &["vx", "v x", "velocity long", "long velocity", "v long", "forward velocity"]),
    ("velocity_y", &["vy", "v y", "velocity lat", "lat velocity", "v lat"]),
    (
        "accel_x",
        &["ax", "a x", "accel long", "long accel", "a long", "g long=g", "long g=g", "forward accel"],
    ),
    ("accel_y", &["ay", "a y", "accel lat", "lat accel", "a lat", "g lat=g", "lat g=g"]),
    ("accel_z", &["az", "a z", "accel vert", "vert accel", "a vert", "g vert=g", "vert g=g"]),
    ("yaw_rate", &["yaw velocity", "yaw speed", "d psi", "psi dot", "yaw angle rate", "rate of yaw"]),
    ("heading", &["yaw", "yaw angle", "psi", "heading angle"]),
    ("roll", &["roll angle"]),
    ("pitch", &["pitch angle"]),
    ("sideslip", &["sideslip angle", "side slip", "side slip angle", "beta", "body slip", "body slip angle"]),
    (
        "throttle",
        &["throttle position", "throttle pedal", "throttle pedal position", "gas", "tps", "accelerator"],
    ),
    ("brake", &["brake position", "brake pedal", "brake pedal position"]),
    ("clutch", &["clutch position", "clutch pedal", "clutch pedal position"]),
    ("throttle_travel", &["throttle pedal travel"]),
    ("brake_travel", &["brake pedal travel"]),
    (
        "steering_wheel_angle",
        &[
            "steering wheel",
            "steering",
            "steering angle",
            "steering position",
            "steer",
            "steer angle",
            "swa",
            "hand wheel angle",
            "steering wheel position",
        ],
    ),
    ("gear", &["current gear", "gear position", "gear number", "selected gear"]),
    (
        "brake_pressure_front",
        &[
            "front brake pressure",
            "brake pressure f",
            "p brake f",
            "pbrk f",
            "p brake front",
            "front brake line pressure",
        ],
    ),
    (
        "brake_pressure_rear",
        &[
            "rear brake pressure",
            "brake pressure r",
            "p brake r",
            "pbrk r",
            "p brake rear",
            "rear brake line pressure",
        ],
    ),
    ("brake_force", &["brake pedal force", "pedal force", "brake pedal load"]),
    ("engine_speed", &["n engine", "engine", "rpm=rpm", "engine rpm=rpm", "crank speed"]),
    ("road_wheel_angle", &["road wheel", "front wheel angle", "delta wheel", "wheel steer angle"]),
    ("fuel", &["fuel level", "fuel remaining", "fuel mass", "fuel on board", "fuel quantity", "fuel load"]),
    (
        "traction_control_active",
        &["tc active", "tc on", "traction control on", "traction control intervention", "tc intervention"],
    ),
    (
        "antilock_active",
        &[
            "anti lock active",
            "abs active",
            "abs on",
            "antilock on",
            "abs intervention",
            "antilock intervention",
        ],
    ),
    ("brake_bias", &["brake balance", "brake bias front", "front brake bias"]),
    (
        "force_feedback_command",
        &["force feedback", "ffb", "ffb command", "ffb output", "force feedback output"],
    ),
    ("force_feedback_torque", &["ffb torque", "steering torque", "steering wheel torque"]),
    ("wheelbase_angle", &["wheel base angle"]),
    ("pedal_raw", &["brake pedal raw", "brake raw"]),
    ("air_temp", &["t air", "temp air", "ambient", "ambient temp", "outer temp"]),
    ("track_temp", &["t track", "temp track", "road temp", "track surface temp", "t road"]),
    (
        "wheel_speed",
        &["w", "wheel", "wheel velocity", "v wheel", "n wheel", "wheel rotation speed", "w speed"],
    ),
    ("tyre_pressure", &["p", "p tyre", "pressure", "tyre p", "t pressure"]),
    (
        "tyre_core_temp",
        &["t core", "core temp", "tyre core", "tyre carcass temp", "carcass temp", "tyre temp core"],
    ),
    (
        "tyre_temp_inner",
        &[
            "tyre surface inner",
            "tyre surface inner temp",
            "tyre surface temp inner",
            "tyre inner temp",
            "tyre temp i",
            "t surf inner",
            "tyre inner",
        ],
    ),
    (
        "tyre_temp_middle",
        &[
            "tyre surface middle",
            "tyre surface middle temp",
            "tyre surface temp middle",
            "tyre middle temp",
            "tyre temp m",
            "tyre temp c",
            "t surf middle",
            "tyre middle",
        ],
    ),
    (
        "tyre_temp_outer",
        &[
            "tyre surface outer",
            "tyre surface outer temp",
            "tyre surface temp outer",
            "tyre outer temp",
            "tyre temp o",
            "t surf outer",
            "tyre outer",
        ],
    ),
    ("tyre_wear", &["wear"]),
    ("slip_ratio", &["long slip", "kappa", "tyre slip ratio"]),
    ("slip_angle", &["alpha", "tyre slip angle"]),
    ("tyre_load", &["wheel load", "vert load", "fz", "load", "tyre fz", "tyre vert load"]),
    ("brake_temp", &["brake disc", "brake disc temp", "disc temp", "t brake", "t disc"]),
    ("damper_travel", &["damper", "damper position", "damper deflection", "damper displacement"]),
    ("damper_speed", &["damper velocity"]),
    ("ride_height", &["floor height", "rh"]),
];

/// Confidence of a name that is in the vocabulary, of a common spelling, of a single letter, and the greatest of a name that
/// is only similar. Common practice, no source.
const VOCABULARY: f64 = 1.0;
const SPELLING: f64 = 0.95;
const LETTER: f64 = 0.8;
const SIMILAR: f64 = 0.8;

/// What a unit does to the confidence: it fits, is not stated, needs a radius or density, or measures something else.
fn unit_weight(unit: &UnitFit) -> f64 {
    match unit {
        UnitFit::Stated(_) => 1.0,
        UnitFit::Assumed(u) if is_pure_number(u.dimension) => 1.0,
        UnitFit::Assumed(_) => 0.9,
        UnitFit::Volume(_) | UnitFit::Rotation(_) => 0.9,
        UnitFit::Unknown(_) => 0.6,
        UnitFit::Other(_) => 0.2,
    }
}

/// Fewer letters than this are no name to be similar to.
const LEAST_LETTERS: usize = 3;

/// The guess and the runner-up for a heading, the best first: every name and spelling of the vocabulary is scored by its
/// similarity (one less the share of letters that differ `[Levenshtein1966]`) and by its unit.
pub(crate) fn scored(heading: &Heading) -> Vec<Scored> {
    let mut best: Vec<Scored> = Vec::new();
    let mut put = |channel: Channel, confidence: f64| match best.iter_mut().find(|s| s.channel == channel) {
        Some(s) => s.confidence = s.confidence.max(confidence),
        None => best.push(Scored { channel, confidence }),
    };
    if let Some(guess) = recognise(heading) {
        let name = match guess.confidence {
            Confidence::Vocabulary => VOCABULARY,
            Confidence::Spelling if key(&heading.name).chars().count() < LEAST_LETTERS => LETTER,
            Confidence::Spelling => SPELLING,
        };
        put(guess.channel, name * unit_weight(&guess.unit));
    }
    let unit_of = |channel| match &heading.unit {
        Some(unit) => fit(channel, unit),
        None => UnitFit::Assumed(default_unit(channel)),
    };
    let words: Vec<String> = words(&heading.name).iter().map(|w| synonym(w).to_owned()).collect();
    let mut similar = |name: &str, table: &HashMap<String, Entry>, wheel: Option<Wheel>| {
        let letters = name.chars().count();
        if !(LEAST_LETTERS..=40).contains(&letters) {
            return;
        }
        for (spelling, &(channel, ..)) in table {
            let longer = letters.max(spelling.chars().count());
            // Not even equal letters could bring it near.
            if spelling.chars().count() < LEAST_LETTERS
                || letters.abs_diff(spelling.chars().count()) * 2 > longer
            {
                continue;
            }
            let differ = edit_distance(name, spelling) as f64 / longer as f64;
            let channel = wheel.map_or(channel, |w| channel.on(w));
            put(channel, SIMILAR * (1.0 - differ) * unit_weight(&unit_of(channel)));
        }
    };
    similar(&words.concat(), &LOOKUP, None);
    for (wheel, rest) in take_wheel(&words) {
        similar(&rest.concat(), &WHEEL_LOOKUP, Some(wheel));
    }
    best.retain(|s| s.confidence >= LEAST_CONFIDENCE);
    best.sort_by(|a, b| b.confidence.total_cmp(&a.confidence).then(a.channel.cmp(&b.channel)));
    best.truncate(2);
    best
}

/// Guesses below this are noise.
const LEAST_CONFIDENCE: f64 = 0.3;

/// Vocabulary names near to a wrong one, nearest first, at most three.
pub(crate) fn near_channels(name: &str) -> Vec<String> {
    near(&key_text(name), Channel::all().map(Channel::name))
}

/// Names near to a wrong one: less than half of the letters differ.
pub(crate) fn near(name: &str, names: impl Iterator<Item = String>) -> Vec<String> {
    let mut scored: Vec<(usize, String)> = names
        .map(|n| (edit_distance(name, &key_text(&n)), n))
        .filter(|(d, n)| *d * 2 < n.chars().count().max(2))
        .collect();
    scored.sort();
    scored.truncate(3);
    scored.into_iter().map(|(_, n)| n).collect()
}

fn key_text(name: &str) -> String {
    words(name).join("_")
}

#[cfg(test)]
mod tests {
    use super::*;

    fn found(heading: &str) -> Option<String> {
        recognise(&Heading::new(heading)).map(|g| {
            let unit = match g.unit {
                UnitFit::Stated(u) => u.symbol.to_owned(),
                UnitFit::Assumed(u) => format!("{}?", u.symbol),
                UnitFit::Volume(u) | UnitFit::Rotation(u) => format!("{}!", u.symbol),
                UnitFit::Other(u) => format!("not {}", u.symbol),
                UnitFit::Unknown(u) => format!("unknown {}", u.symbol),
            };
            format!("{} {unit}", g.channel)
        })
    }

    #[test]
    fn headings_are_recognised_in_their_spellings() {
        for (heading, expected) in [
            ("Time [s]", "time s"),
            ("time(s)", "time s"),
            ("timestamp_ms", "time ms"),
            ("Lap [-]", "lap -"),
            ("lap", "lap -?"),
            ("Position y [m]", "y m"),
            ("v_mps", "speed m/s"),
            ("Speed km/h", "speed km/h"),
            ("speed_km_h", "speed km/h"),
            ("SpeedKmh", "speed km/h"),
            ("ax_g", "accel_x g"),
            ("Acceleration y [m/s2]", "accel_y m/s2"),
            ("ax(m/s^2)", "accel_x m/s2"),
            ("G lat", "accel_y g"),
            ("p_fl_psi", "tyre_pressure_fl psi"),
            ("tcore_fl_K", "tyre_core_temp_fl K"),
            ("n_eng_radps", "engine_speed rad/s"),
            ("RPM", "engine_speed 1/min"),
            ("Engine speed [1/min]", "engine_speed 1/min"),
            ("w_rr_radps", "wheel_speed_rr rad/s!"),
            ("wheel_fl(kmph)", "wheel_speed_fl km/h"),
            ("FLWheelSpeed [m/s]", "wheel_speed_fl m/s"),
            ("wheel speed front left", "wheel_speed_fl m/s?"),
            ("Wheel Speed - LR (mph)", "wheel_speed_rl mph"),
            ("wheelspeedrearright", "wheel_speed_rr m/s?"),
            ("Tire temperature center RL [°F]", "tyre_temp_middle_rl degF"),
            ("Tyre surface inner FR [degC]", "tyre_temp_inner_fr degC"),
            ("pbrk_f_kPa", "brake_pressure_front kPa"),
            ("fuel_l", "fuel l!"),
            ("Anti-lock active [-]", "antilock_active -"),
            ("Brake disc RR [degC]", "brake_temp_rr degC"),
            ("t_air_K", "air_temp K"),
            ("Latitude", "latitude deg?"),
            ("Long", "longitude deg?"),
            ("Longitudinal acceleration (g)", "accel_x g"),
            ("brake [bar]", "brake not bar"),
            ("Speed [furlong/h]", "speed unknown furlong/h"),
            ("swa_rad", "steering_wheel_angle rad"),
        ] {
            assert_eq!(found(heading).as_deref(), Some(expected), "{heading}");
        }
    }

    #[test]
    fn half_known_names_stay_unknown() {
        for heading in [
            "Lap time [s]",
            "wheel_speed",
            "tyre pressure front",
            "delta",
            "phi(rad)",
            "Speed (front)",
            "Speed (GPS) [km/h]",
            "Best lap",
            "",
        ] {
            assert_eq!(found(heading), None, "{heading}");
        }
    }

    /// Every vocabulary name, bare or in any of its printed forms, is itself.
    #[test]
    fn vocabulary_names_mean_themselves() {
        for c in Channel::all() {
            let unit = c.dimension().si_symbol();
            for heading in
                [c.name(), format!("{c} [{unit}]"), c.name().to_uppercase(), c.name().replace('_', "-")]
            {
                let guess = recognise(&Heading::new(&heading)).map(|g| (g.channel, g.confidence));
                assert_eq!(guess, Some((c, Confidence::Vocabulary)), "{heading}");
            }
        }
    }

    #[test]
    fn guesses_are_scored_by_name_and_unit() {
        let of = |heading: &str| scored(&Heading::new(heading));
        let best = |heading: &str| of(heading).first().map(|g| (g.channel.name(), g.confidence));
        assert_eq!(best("Speed [km/h]"), Some(("speed".to_owned(), 1.0)));
        assert_eq!(best("Ground speed [km/h]"), Some(("speed".to_owned(), 0.95)));
        // One letter says little, and a bar is no share of a pedal but may be a pressure.
        assert_eq!(best("v [m/s]"), Some(("speed".to_owned(), 0.8)));
        assert!(best("brake [bar]").is_some_and(|(n, c)| n == "brake_pressure_front" && c < 0.6));
        // A slip of the pen stays near, and its unit settles between two that look alike.
        assert!(
            best("Steering whel angle [deg]").is_some_and(|(n, c)| n == "steering_wheel_angle" && c > 0.7)
        );
        assert!(best("Tyre presure FL [bar]").is_some_and(|(n, c)| n == "tyre_pressure_fl" && c > 0.7));
        assert!(of("zzzzqqqq [km/h]").is_empty());
        for heading in ["Speed [km/h]", "yawrat [deg/s]", "Wheel Speed - LR (mph)", "p_fl_psi", ""] {
            let guesses = of(heading);
            assert!(guesses.len() <= 2 && guesses.iter().all(|g| (0.0..=1.0).contains(&g.confidence)));
            assert!(
                guesses
                    .windows(2)
                    .all(|w| w[0].confidence >= w[1].confidence && w[0].channel != w[1].channel)
            );
        }
    }

    #[test]
    fn wrong_names_get_near_ones() {
        assert_eq!(near_channels("sped")[0], "speed");
        assert_eq!(near_channels("Tyre presure FL")[0], "tyre_pressure_fl");
        assert!(near_channels("qqqqqqqqqqqq").is_empty());
    }
}
