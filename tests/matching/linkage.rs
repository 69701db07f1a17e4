//! One side of an aircraft: deflection against what reaches its servo.

use crate::support::linkage::Linkage;
use crate::support::random::Random;
use crate::support::rigid::{Vec3, unit};

/// A linkage such as people build: arms and horns off square, skewed axes, crossed rods.
fn random_linkage(random: &mut Random) -> Linkage {
    let arm_mm = random.between(10.0, 22.0);
    let horn_mm = arm_mm * random.between(0.9, 2.2);
    let off_square = |angle_deg: f64, length_mm: f64| -> Vec3 {
        let angle = angle_deg.to_radians();
        [length_mm * angle.sin(), length_mm * angle.cos(), 0.0]
    };
    let arm = off_square(10.0 * random.normal(), arm_mm);
    let horn = off_square(12.0 * random.normal(), horn_mm);
    let crossed = if random.happens(0.5) { -1.0 } else { 1.0 };
    let mut skewed = |sd_deg: f64| {
        let lean = sd_deg.to_radians().tan();
        unit([lean * random.normal(), lean * random.normal(), 1.0])
    };
    let (arm_axis, horn_axis) = (skewed(6.0), skewed(8.0));
    Linkage {
        arm_pivot: [0.0; 3],
        arm_axis,
        arm,
        horn_pivot: [
            random.between(45.0, 140.0),
            random.between(-12.0, 12.0),
            random.between(-15.0, 15.0),
        ],
        horn_axis,
        horn: [horn[0], crossed * horn[1], 0.0],
    }
}

/// One side of an aircraft: deflection for every command from −150 to +150 %, deg.
pub struct Side {
    deg: Vec<f64>,
}

impl Side {
    /// A random side whose travel does not come near a dead point: the slope stays between 0.35
    /// and 2.2 of its mean.
    pub fn random(random: &mut Random) -> Self {
        loop {
            let linkage = random_linkage(random);
            let gain = random.between(38.0, 58.0) / 100.0;
            if let Some(side) = Self::of(&linkage, gain)
                && side.is_sound()
            {
                return side;
            }
        }
    }

    /// The side with a linkage whose arm turns by `arm_deg_per_pct`.
    pub fn of(linkage: &Linkage, arm_deg_per_pct: f64) -> Option<Self> {
        let mut deg: Vec<f64> = (-110..=110)
            .map(|pct| linkage.output_deg(f64::from(pct) * arm_deg_per_pct))
            .collect::<Option<_>>()?;
        if deg[150] < deg[50] {
            deg.iter_mut().for_each(|value| *value = -*value);
        }
        Some(Self { deg })
    }

    fn is_sound(&self) -> bool {
        let mean = (self.deg[210] - self.deg[10]) / 200.0;
        self.deg.windows(2).all(|pair| {
            let slope = pair[1] - pair[0];
            slope > 0.35 * mean && slope < 2.2 * mean
        }) && mean > 0.05
    }

    /// From a table in steps of 1 % that is centred on 0.
    pub fn from_table(deg: Vec<f64>) -> Self {
        let middle = deg.len() / 2;
        Self {
            deg: deg[middle - 110..=middle + 110].to_vec(),
        }
    }

    /// The same side with all deflections multiplied.
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            deg: self.deg.iter().map(|value| factor * value).collect(),
        }
    }

    /// Deflection at a command, deg.
    pub fn deg(&self, command_pct: f64) -> f64 {
        let at = (command_pct + 110.0).clamp(0.0, 220.0);
        let left = (at.floor() as usize).min(219);
        let share = at - left as f64;
        self.deg[left] + share * (self.deg[left + 1] - self.deg[left])
    }
}
