//! The lines: one thread each, which asks the devices and says what it is certain of.
