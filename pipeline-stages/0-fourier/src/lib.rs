//! Fourier transforms of single precision, as the library plans them for this processor. Forward
//! ones have the kernel exp(-2πi·k·x/n); none is scaled.

use std::cell::RefCell;
use std::sync::Arc;

use realfft::RealFftPlanner;
use rustfft::FftPlanner;

pub use realfft::{ComplexToReal, RealToComplex};
pub use rustfft::Fft;
pub use rustfft::num_complex::Complex;

thread_local! {
    /// They keep what they have planned.
    static PLANNERS: RefCell<(RealFftPlanner<f32>, FftPlanner<f32>)> =
        RefCell::new((RealFftPlanner::new(), FftPlanner::new()));
}

/// From `n` real samples to their `n / 2 + 1` coefficients.
pub fn real_forward(n: usize) -> Arc<dyn RealToComplex<f32>> {
    PLANNERS.with_borrow_mut(|(real, _)| real.plan_fft_forward(n))
}

/// From `n / 2 + 1` coefficients to `n` real samples, `n` times as large.
pub fn real_inverse(n: usize) -> Arc<dyn ComplexToReal<f32>> {
    PLANNERS.with_borrow_mut(|(real, _)| real.plan_fft_inverse(n))
}

/// From `n` complex samples to as many coefficients.
pub fn forward(n: usize) -> Arc<dyn Fft<f32>> {
    PLANNERS.with_borrow_mut(|(_, complex)| complex.plan_fft_forward(n))
}

/// From `n` coefficients to as many complex samples, `n` times as large.
pub fn inverse(n: usize) -> Arc<dyn Fft<f32>> {
    PLANNERS.with_borrow_mut(|(_, complex)| complex.plan_fft_inverse(n))
}
