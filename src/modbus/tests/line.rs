//! What a line does about devices and ports that fail.
