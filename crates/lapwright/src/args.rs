//! Words of the command line.

use clap::{Args, Parser, Subcommand};
use std::path::PathBuf;
use std::str::FromStr;

/// Turns recordings of your drives into lap time: where it is lost, who owns it, what to change next.
#[derive(Debug, Parser)]
#[command(name = "lapwright", version, arg_required_else_help = true, max_term_width = 100)]
pub(crate) struct Arguments {
    #[command(subcommand)]
    pub(crate) command: Command,
}

#[derive(Debug, Subcommand)]
pub(crate) enum Command {
    /// Read recordings into the library
    Import(Import),
    /// List the laps of the library
    Laps(Laps),
    /// Split the gap between two laps over corners and causes
    Ledger(Ledger),
    /// List the channels that a recording may have, or those that one has
    Channels(Channels),
    /// Write a recording or a lap as CSV, Parquet or MDF 4
    Export(Export),
    /// List, name, check and clear out what the library holds
    Library(Library),
    /// Look at a car file, or keep it
    Car(Car),
    /// Keep a circuit with borders
    Circuit(Circuit),
    /// Find the fastest lap that a car can do on a circuit
    Limit(Limit),
    /// Say what each click of a car's setup is worth on a circuit
    Whatif(WhatIf),
    /// Check that the rig tells the truth
    Rig(Rig),
    /// Open the desk: the page that shows the library in the browser
    Desk(Desk),
    /// Build a library of an invented season and open the desk on it
    Demo(Demo),
}

#[derive(Debug, Args)]
pub(crate) struct Where {
    /// Folder of the library; without one, a folder in your user data
    #[arg(long, global = true, value_name = "DIR", env = "LAPWRIGHT_LIBRARY")]
    pub(crate) library: Option<PathBuf>,
}

#[derive(Debug, Args)]
pub(crate) struct Json {
    /// Print JSON instead of text
    #[arg(long, global = true)]
    pub(crate) json: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Import {
    /// Recordings to read: CSV (also packed with gzip or Zstandard), Parquet or ASAM MDF 4, told apart by content
    #[arg(required = true, value_name = "FILE")]
    pub(crate) files: Vec<PathBuf>,
    /// The files are of one drive, each with a clock of its own: make one recording of them
    #[arg(long)]
    pub(crate) together: bool,
    /// TOML file that says which column is which channel (docs/map-file.md)
    #[arg(long, value_name = "MAP.toml")]
    pub(crate) map: Option<PathBuf>,
    /// Who drove
    #[arg(long)]
    pub(crate) driver: Option<String>,
    /// Which car
    #[arg(long)]
    pub(crate) car: Option<String>,
    /// Which circuit; found by its shape when left out
    #[arg(long)]
    pub(crate) circuit: Option<String>,
    /// Samples per second, for recordings without a time column
    #[arg(long, value_name = "HZ")]
    pub(crate) rate: Option<f64>,
    /// Turn signs that contradict the rest of the recording; what was turned is told
    #[arg(long)]
    pub(crate) fix_signs: bool,
    /// Keep what was recognised of this source under a name, and apply it to its next files by itself
    #[arg(long, value_name = "NAME")]
    pub(crate) save_profile: Option<String>,
    /// Start line, for recordings without lap numbers: a point on it [m] and the heading of the drive across it
    /// [deg, anticlockwise from x]
    #[arg(long, value_name = "X,Y,HEADING", allow_hyphen_values = true)]
    pub(crate) line: Option<GateWords>,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

/// `X,Y,HEADING` as typed.
#[derive(Debug, Clone, Copy)]
pub(crate) struct GateWords {
    pub(crate) x_m: f64,
    pub(crate) y_m: f64,
    pub(crate) heading_rad: f64,
}

impl FromStr for GateWords {
    type Err = String;

    fn from_str(s: &str) -> Result<Self, String> {
        let numbers: Vec<f64> = s
            .split(',')
            .map(|w| w.trim().parse().map_err(|_| format!("'{w}' is not a number")))
            .collect::<Result<_, _>>()?;
        match numbers[..] {
            [x_m, y_m, heading_deg] if numbers.iter().all(|v| v.is_finite()) => {
                Ok(Self { x_m, y_m, heading_rad: heading_deg.to_radians() })
            }
            _ => Err(format!("expected three numbers X,Y,HEADING such as 120.5,-33,90, found '{s}'")),
        }
    }
}

#[derive(Debug, Args)]
pub(crate) struct Laps {
    /// Only laps of this recording
    #[arg(long)]
    pub(crate) recording: Option<String>,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Ledger {
    /// The lap, as `lapwright laps` names it: RECORDING:NUMBER
    #[arg(value_name = "LAP")]
    pub(crate) lap: String,
    /// The lap to measure it against; or 'best', the fastest valid lap of the same circuit and car but this one; or 'limit',
    /// the fastest that the car can do there, for a car whose file the library keeps and a circuit with borders
    #[arg(long, value_name = "LAP|best|limit", default_value = "best")]
    pub(crate) against: String,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Channels {
    /// A recording of the library; the whole vocabulary when left out
    pub(crate) recording: Option<String>,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Desk {
    #[command(flatten)]
    pub(crate) place: Where,
    /// Port to listen on; 0 takes any free one
    #[arg(long, default_value_t = 8417)]
    pub(crate) port: u16,
    /// Do not open the browser
    #[arg(long)]
    pub(crate) no_open: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Demo {
    #[command(flatten)]
    pub(crate) desk: Desk,
    /// Only two stints, in a few seconds
    #[arg(long)]
    pub(crate) short: bool,
}

#[derive(Debug, Args)]
pub(crate) struct Library {
    #[command(subcommand)]
    pub(crate) task: LibraryTask,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum LibraryTask {
    /// List the recordings
    List,
    /// Read every file, compare it with what was written, and set right what can be
    Check {
        /// Make a damaged or lost catalogue anew from what lies beside the samples
        #[arg(long)]
        rebuild: bool,
    },
    /// Give a recording another name
    Rename {
        /// The recording
        recording: String,
        /// Its new name
        name: String,
    },
    /// Write a note beside a recording; an empty text takes it away
    Note {
        /// The recording
        recording: String,
        /// The note
        text: String,
    },
    /// Tag a recording; the tags given replace those before
    Tag {
        /// The recording
        recording: String,
        /// Its tags
        tags: Vec<String>,
    },
    /// Move a recording to the trash
    Remove {
        /// The recording
        recording: String,
    },
    /// Bring a removed recording back
    Restore {
        /// The recording
        recording: String,
    },
    /// List what is in the trash
    Trash,
}

#[derive(Debug, Args)]
pub(crate) struct Car {
    #[command(subcommand)]
    pub(crate) task: CarTask,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum CarTask {
    /// Say whether a car file is credible, and what the car does
    Check {
        /// The car file (docs/car-file.md)
        #[arg(value_name = "CAR.toml")]
        file: PathBuf,
    },
    /// Keep a car file in the library, for the limit lap of the recordings with this car
    Keep {
        /// The car file (docs/car-file.md)
        #[arg(value_name = "CAR.toml")]
        file: PathBuf,
        /// Name that recordings give the car; the one in the file when left out
        #[arg(long)]
        name: Option<String>,
    },
}

#[derive(Debug, Args)]
pub(crate) struct Circuit {
    #[command(subcommand)]
    pub(crate) task: CircuitTask,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum CircuitTask {
    /// Keep a circuit with its borders in the library, before recordings on it are imported
    Keep {
        /// Circuit file with the header x [m],y [m],width_left [m],width_right [m]
        #[arg(value_name = "C.csv")]
        file: PathBuf,
        /// Name of the circuit
        #[arg(long)]
        name: String,
    },
}

/// How a lap is found.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum LimitMethod {
    /// On the line given with --line, or on the centre line
    Fixed,
    /// On the line of least curvature
    Curvature,
    /// Line and speed together, in least time
    Time,
}

#[derive(Debug, Args)]
pub(crate) struct OnCircuit {
    /// Circuit file with the header x [m],y [m],width_left [m],width_right [m], or a circuit of the library
    #[arg(long, value_name = "C.csv|NAME")]
    pub(crate) circuit: String,
    /// Distance between the points of the solution [m]
    #[arg(long, value_name = "M", default_value_t = 3.0)]
    pub(crate) step: f64,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Limit {
    /// The car file: a full car or a [grip_ellipse] (docs/car-file.md)
    #[arg(long, value_name = "CAR.toml")]
    pub(crate) car: PathBuf,
    /// How the lap is found
    #[arg(long, value_enum, default_value_t = LimitMethod::Time)]
    pub(crate) method: LimitMethod,
    /// Points x,y [m] of a line, for --method fixed
    #[arg(long, value_name = "LINE.csv")]
    pub(crate) line: Option<PathBuf>,
    #[command(flatten)]
    pub(crate) on: OnCircuit,
}

#[derive(Debug, Args)]
pub(crate) struct WhatIf {
    /// The car file: a full car or a [grip_ellipse] (docs/car-file.md)
    #[arg(value_name = "CAR.toml")]
    pub(crate) car: PathBuf,
    #[command(flatten)]
    pub(crate) on: OnCircuit,
}

#[derive(Debug, Args)]
pub(crate) struct Export {
    /// A recording, or a lap of it as RECORDING:NUMBER
    #[arg(value_name = "RECORDING|LAP")]
    pub(crate) what: String,
    /// File to write; its ending, .csv, .parquet or .mf4, tells the format
    #[arg(value_name = "FILE")]
    pub(crate) to: PathBuf,
    /// Write km/h, deg, bar and the like instead of SI
    #[arg(long)]
    pub(crate) daily_units: bool,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Args)]
pub(crate) struct Rig {
    #[command(subcommand)]
    pub(crate) task: RigTask,
    #[command(flatten)]
    pub(crate) place: Where,
    #[command(flatten)]
    pub(crate) json: Json,
}

#[derive(Debug, Subcommand)]
pub(crate) enum RigTask {
    /// Does the force feedback clip, where, and which gain would not
    Forces {
        /// The recording
        recording: String,
        /// Gain that is set in the simulator
        #[arg(long)]
        gain: Option<f64>,
        /// Torque of the wheelbase at full command [Nm]
        #[arg(long, value_name = "NM")]
        peak_torque: Option<f64>,
        /// Kind of wheelbase
        #[arg(long, value_enum)]
        drive: Option<DriveWord>,
    },
    /// Do the pedals reach both ends, quietly, finely and the same way each time
    Pedals {
        /// The recording
        recording: String,
    },
    /// Does the wheel on the screen turn as the one in the hands does, and when
    Steering {
        /// The recording
        recording: String,
        /// Turn of the wheelbase from stop to stop [deg]
        #[arg(long, value_name = "DEG")]
        wheelbase_lock: Option<f64>,
        /// Turn of the car's wheel from stop to stop [deg]
        #[arg(long, value_name = "DEG")]
        car_lock: Option<f64>,
    },
    /// Do samples come evenly, and how late does an input arrive
    Timing {
        /// The recording
        recording: String,
    },
}

/// Kind of wheelbase.
#[derive(Debug, Clone, Copy, PartialEq, Eq, clap::ValueEnum)]
pub(crate) enum DriveWord {
    /// Gears between motor and wheel
    Geared,
    /// A belt between motor and wheel
    Belt,
    /// The wheel on the motor's shaft
    Direct,
}
