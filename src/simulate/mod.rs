//! Simulated analyzers that answer real frames on real pseudo-terminals and sockets.
