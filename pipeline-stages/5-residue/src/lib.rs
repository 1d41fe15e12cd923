//! Stage.
