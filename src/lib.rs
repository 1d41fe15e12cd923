//! Emblemend.
