//! The site file: from TOML text to a checked [`Site`], or to every problem it has.
//!
//! Two stages: `raw` mirrors the file and keeps where each thing stands; `resolve` builds typed
//! plans and collects *all* problems. Nothing here opens a file: the caller hands in the text, and
//! a way to read the profiles it names.

mod site;

pub use site::{
    ControlSpec, DeviceSpec, Framing, HistorySpec, HttpSpec, LineSpec, Parity, Port, SerialSettings, Site,
};
