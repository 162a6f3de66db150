//! The HTTP face: read-only JSON and the status page.
