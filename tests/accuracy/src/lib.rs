//! Accuracy.
