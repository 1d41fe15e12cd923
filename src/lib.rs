//! Measures the residue of a peeled-off garment emblem and prepares its replacement.
//!
//! The stages that measure are crates of their own; this one reads jobs, runs the stages in
//! order ([`pipeline`]) and publishes what comes out ([`outbox`]).

pub mod cli;
mod clock;
mod commands;
pub mod durable;
pub mod folder;
pub mod job;
pub mod known;
pub mod log;
pub mod outbox;
pub mod outcome;
mod parts;
pub mod pipeline;
pub mod problem;
mod record;
pub mod report;
mod residue_svg;
pub mod settings;
mod sheets;
mod toml_keys;
pub mod watch;
pub mod workshop;
