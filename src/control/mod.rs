//! The control socket: the one way in for operator actions.
