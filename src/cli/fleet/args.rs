//! The command line of the fleet.
use crate::fleet::coupling::CouplingTolerance;
use crate::store::standards::FOLDER;
use clap::{Args, Subcommand, ValueEnum};
use std::path::PathBuf;

#[derive(Debug, Args)]
pub(crate) struct FleetArgs {
    /// The record folder that the bench files name
    #[arg(long, value_name = "DIR", default_value = "runs", global = true)]
    pub(crate) records: PathBuf,
    /// Print the answer as one JSON object on stdout, where there is one
    #[arg(long, global = true)]
    pub(crate) json: bool,
    #[command(subcommand)]
    pub(crate) what: FleetVerb,
}

#[derive(Debug, Subcommand)]
pub(crate) enum FleetVerb {
    /// List the engines and how each stands
    List {
        /// Engines of this class alone
        #[arg(long)]
        class: Option<String>,
        /// Engines whose table does not count alone
        #[arg(long)]
        open: bool,
    },
    /// Show an engine: its runs, its table, whether it holds, what a layout makes of it
    Show {
        /// Name or address
        engine: String,
    },
    /// Give an engine another name; its earlier runs stay its own
    Rename {
        /// Name or address
        engine: String,
        /// Its new name
        name: String,
    },
    /// Put an engine into a class, or with no class into none
    Class {
        /// Name or address
        engine: String,
        /// Shunter, goods, express, or your own
        class: Option<String>,
    },
    /// Say that something was exchanged: what was measured before counts no more
    Changed {
        /// Name or address
        engine: String,
        /// What was exchanged
        #[arg(value_enum)]
        what: Exchanged,
    },
    /// Say that an engine need not keep a standard
    Except {
        /// Name or address
        engine: String,
        /// Name of the standard
        standard: String,
        /// Why
        why: String,
    },
    /// List the standards, and which engines keep them
    Standards {
        /// Folder of the standards
        #[arg(long, value_name = "DIR", default_value = FOLDER)]
        folder: PathBuf,
    },
    /// Print the section of a bench file that asks for a standard
    Target {
        /// The standard, as name or name@version
        standard: String,
        /// Folder of the standards
        #[arg(long, value_name = "DIR", default_value = FOLDER)]
        folder: PathBuf,
    },
    /// Work out the best common target of several engines, and say who limits it
    Propose(ProposeArgs),
    /// Say who can be coupled with whom, and which groups are best
    Couple {
        /// Names or addresses; all without any
        engines: Vec<String>,
        /// Allowed difference, percent of the speed
        #[arg(long, value_name = "PERCENT", default_value_t = 100.0 * CouplingTolerance::default().part)]
        tolerance: f64,
        /// Allowed at least, mm/s
        #[arg(long, value_name = "MM_S", default_value_t = CouplingTolerance::default().floor_mm_s)]
        floor: f64,
        /// Groups whose engines all look the same way: back to back need not hold
        #[arg(long)]
        alike: bool,
    },
    /// Keep times over a length of the layout, and compare with the bench
    Layout(LayoutArgs),
    /// Say which engines fit into an evening, by what their runs took
    Evening(EveningArgs),
    /// Write runs, steps, points or CVs for other programs
    Export {
        /// What, and in which form
        #[arg(value_enum)]
        what: Exported,
        /// This engine alone
        #[arg(long)]
        engine: Option<String>,
        /// Write to this file, which must not be there; to stdout without it
        #[arg(short, long, value_name = "FILE")]
        output: Option<PathBuf>,
    },
    /// Take in what another fleet exported as JSON, or a table of steps
    Import {
        /// The file
        file: PathBuf,
    },
    /// Ask whether the database is whole and says what the runs say
    Check,
    /// Make the database anew from the runs
    Rebuild,
    /// Write the fleet's report, one HTML file
    Report {
        /// The file
        #[arg(short, long, value_name = "FILE", default_value = "fleet.html")]
        output: PathBuf,
        /// Folder of the standards
        #[arg(long, value_name = "DIR", default_value = FOLDER)]
        folder: PathBuf,
    },
}

#[derive(Debug, Args)]
pub(crate) struct ProposeArgs {
    /// Names or addresses; every engine of the class without any
    pub(crate) engines: Vec<String>,
    /// The class that it is for
    #[arg(long)]
    pub(crate) class: String,
    /// Left between the target's top and what the slowest reaches, percent
    #[arg(long, value_name = "PERCENT", default_value_t = 5.0)]
    pub(crate) headroom: f64,
    /// Write it as the next version of a standard of this name
    #[arg(long, value_name = "NAME")]
    pub(crate) write: Option<String>,
    /// Folder of the standards
    #[arg(long, value_name = "DIR", default_value = FOLDER)]
    pub(crate) folder: PathBuf,
}

#[derive(Debug, Args)]
pub(crate) struct EveningArgs {
    /// Its end, as 22:00
    #[arg(long, value_name = "HH:MM")]
    pub(crate) until: String,
    /// Its begin, as 19:30; now without it
    #[arg(long, value_name = "HH:MM")]
    pub(crate) from: Option<String>,
    /// Minutes to exchange one engine for the next (common practice, no source)
    #[arg(long, value_name = "MINUTES", default_value_t = 5.0)]
    pub(crate) change: f64,
    /// The shortest first, which gets most of them in
    #[arg(long)]
    pub(crate) shortest_first: bool,
    /// Names or addresses, in their order
    #[arg(required = true)]
    pub(crate) engines: Vec<String>,
}

#[derive(Debug, Args)]
pub(crate) struct LayoutArgs {
    /// Name or address
    pub(crate) engine: String,
    /// Entry of the table it ran at, 1 to 28: its step with 28 steps
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..=28))]
    pub(crate) step: u16,
    /// It ran in reverse
    #[arg(long)]
    pub(crate) reverse: bool,
    /// Length in mm
    #[arg(long, value_name = "MM")]
    pub(crate) length: f64,
    /// How well the length is known, mm (standard uncertainty)
    #[arg(long, value_name = "MM", default_value_t = 5.0)]
    pub(crate) length_doubt: f64,
    /// Times in seconds, as 12.3,12.5,12.4
    #[arg(long, value_name = "S,S,...", value_delimiter = ',', required = true)]
    pub(crate) times: Vec<f64>,
    /// It pulled a train
    #[arg(long)]
    pub(crate) train: bool,
    /// Voltage at the rails of the layout, V
    #[arg(long, value_name = "V")]
    pub(crate) voltage: Option<f64>,
}

/// What can be exchanged.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Exchanged {
    /// Its decoder
    Decoder,
    /// Its wheels or tyres
    Wheels,
    /// Its motor or gears
    Motor,
}

/// What can be exported.
#[derive(Clone, Copy, Debug, PartialEq, Eq, ValueEnum)]
pub(crate) enum Exported {
    /// All runs, as one JSON document that another fleet can take in
    Json,
    /// The engines, CSV
    Engines,
    /// The steps of the tables that count, CSV
    Steps,
    /// Every measured point, CSV
    Points,
    /// CVs before and after each run, CSV
    Cvs,
}
