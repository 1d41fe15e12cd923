//! Painter.
