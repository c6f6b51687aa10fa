//! Random numbers that stay the same: one stream for each direction and component.
//!
//! The generator is `ChaCha` with 12 rounds, a published algorithm whose output
//! for a key never changes. The key is the seed, the direction and the
//! component, so that switching one component on leaves the others' numbers as
//! they were. The distributions are the few lines below and not a library's,
//! whose next version may draw them otherwise.

use rand::{RngCore, SeedableRng};
use rand_chacha::ChaCha12Rng;

use super::path::From;

/// What the numbers are for.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(super) enum Component {
    Constant,
    Shot,
    Fading,
    Link,
}

/// A stream of random numbers.
#[derive(Debug)]
pub(super) struct Stream {
    source: ChaCha12Rng,
    spare: Option<f64>,
}

impl Stream {
    pub(super) fn new(seed: u64, from: From, component: Component) -> Self {
        let mut key = [0u8; 32];
        for (slot, byte) in key.iter_mut().zip(seed.to_le_bytes()) {
            *slot = byte;
        }
        key[8] = match from {
            From::A => b'a',
            From::B => b'b',
        };
        key[9] = match component {
            Component::Constant => 1,
            Component::Shot => 2,
            Component::Fading => 3,
            Component::Link => 4,
        };
        Self {
            source: ChaCha12Rng::from_seed(key),
            spare: None,
        }
    }

    /// Uniform in (0, 1): the middle of one of 2⁵³ cells, so never 0.
    pub(super) fn uniform(&mut self) -> f64 {
        let cell = (self.source.next_u64() >> 11) as f64;
        (cell + 0.5) / (1u64 << 53) as f64
    }

    /// Uniform between two values.
    pub(super) fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.uniform()
    }

    /// Normal with mean 0 and variance 1.
    ///
    /// # Source
    /// Box and Muller, Annals of Mathematical Statistics 29 (1958) 610.
    pub(super) fn normal(&mut self) -> f64 {
        if let Some(value) = self.spare.take() {
            return value;
        }
        let radius = (-2.0 * self.uniform().ln()).sqrt();
        let (sin, cos) = (std::f64::consts::TAU * self.uniform()).sin_cos();
        self.spare = Some(radius * sin);
        radius * cos
    }

    /// Gamma with the given shape and mean 1 (variance 1/shape).
    ///
    /// # Source
    /// Marsaglia and Tsang, ACM Transactions on Mathematical Software 26
    /// (2000) 363; below shape 1 with their factor U^(1/shape).
    pub(super) fn gamma(&mut self, shape: f64) -> f64 {
        if shape < 1.0 {
            let larger = self.gamma(shape + 1.0) * (shape + 1.0);
            return larger * self.uniform().powf(1.0 / shape) / shape;
        }
        let d = shape - 1.0 / 3.0;
        let c = 1.0 / (9.0 * d).sqrt();
        loop {
            let x = self.normal();
            let root = 1.0 + c * x;
            if root <= 0.0 {
                continue;
            }
            let v = root * root * root;
            let u = self.uniform();
            if u.ln() < 0.5 * x * x + d - d * v + d * v.ln() {
                return d * v / shape;
            }
        }
    }
}
