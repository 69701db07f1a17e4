//! The camera profile's file.

use std::path::Path;

use nalgebra::{DMatrix, SVector};
use thiserror::Error;
use toml::Spanned;

use super::{Camera, CameraProfile, INTRINSIC_COUNT, IntrinsicsCovariance};
use crate::table_reader::{
    Fault, FaultyFile, FileError, Limits, TableFault, TableReader, read_file, read_text,
};

/// The one format of camera profiles so far.
const FORMAT: u32 = 1;

/// Names of the parameters, in the order of every vector and matrix of them.
const PARAMETERS: [&str; INTRINSIC_COUNT] = ["fx", "fy", "cx", "cy", "k1", "k2", "p1", "p2", "k3"];

/// Plausible sizes of pictures.
const SIZE_LIMITS: Limits = Limits::new(16.0, 100_000.0, "px");
/// Plausible focal lengths, from a fisheye on a thumbnail to a telescope.
const FOCAL_LIMITS: Limits = Limits::new(1.0, 1e7, "px");
/// Plausible principal points; those of cropped pictures may be outside.
const CENTRE_LIMITS: Limits = Limits::new(-1e6, 1e6, "px");
/// Plausible distortion terms.
const DISTORTION_LIMITS: Limits = Limits::new(-1e4, 1e4, "");
/// Plausible standard deviations and residuals.
const SD_LIMITS: Limits = Limits::new(0.0, 1e6, "");

/// Covariances are accepted as symmetric, and as free of negative eigenvalues, to this part of
/// the product of the standard deviations: digits lost in writing the file down.
const COVARIANCE_TOLERANCE: f64 = 1e-6;

/// A fault at one place of a camera profile.
#[derive(Debug, Clone, PartialEq, Error)]
#[non_exhaustive]
pub enum ProfileFault {
    /// A fault that any file can have.
    #[error(transparent)]
    Table(#[from] TableFault),
    /// An unknown format of the file.
    #[error("format {found} is not known")]
    UnknownFormat {
        /// The number found.
        found: u32,
    },
    /// A covariance that is not a square of nine numbers by nine.
    #[error("`covariance` is not a square of {INTRINSIC_COUNT} × {INTRINSIC_COUNT} numbers")]
    NotSquare,
    /// A matrix that no set of parameters can have as its covariance.
    #[error("`covariance` is not a covariance: not symmetric, or a variance is negative")]
    NotACovariance,
}

impl Fault for ProfileFault {
    fn mend(&self) -> String {
        match self {
            Self::Table(fault) => fault.mend(),
            Self::UnknownFormat { .. } => "write `format = 1`".into(),
            Self::NotSquare | Self::NotACovariance => {
                "calibrate again, or take `covariance` out and leave `sd`".into()
            }
        }
    }
}

type Reader<'t> = TableReader<'t, ProfileFault>;

impl CameraProfile {
    /// Reads a camera profile.
    ///
    /// # Errors
    /// The file cannot be read, or has faults: all of them at once, with their places.
    pub fn read(path: &Path) -> Result<Self, FileError<ProfileFault>> {
        read_file(path, profile)
    }

    /// Checks the text of a camera profile; `path` is only named in errors.
    ///
    /// # Errors
    /// All faults at once, with their places.
    pub fn parse(path: &Path, text: String) -> Result<Self, FaultyFile<ProfileFault>> {
        read_text(path, text, profile)
    }

    /// The text of the profile's file, which [`CameraProfile::parse`] reads back to the same bits.
    pub fn to_toml(&self) -> String {
        let values = self.camera.intrinsics();
        let pairs = |values: &[f64], names: &[&str]| {
            let pairs: Vec<String> = names
                .iter()
                .zip(values)
                .map(|(name, value)| format!("{name} = {value:?}"))
                .collect();
            format!("{{ {} }}", pairs.join(", "))
        };
        let (matrix, distortion) = values.as_slice().split_at(4);
        let mut lines = vec![
            "# Camera profile: valid for one camera in one mode (size, zoom, stabilisation off)."
                .to_owned(),
            format!("format = {FORMAT}"),
            format!("name = {}", toml::Value::from(self.name.as_str())),
            format!("width_px = {}", self.width_px),
            format!("height_px = {}", self.height_px),
            format!("matrix = {}", pairs(matrix, &PARAMETERS[..4])),
            format!("distortion = {}", pairs(distortion, &PARAMETERS[4..])),
        ];
        lines.extend(self.rms_px.map(|rms_px| format!("rms_px = {rms_px:?}")));
        lines.extend(self.views.map(|views| format!("views = {views}")));
        if let Some(covariance) = &self.covariance {
            let sds = covariance.diagonal().map(f64::sqrt);
            lines.push("# Standard deviations, and the covariance in the same order.".into());
            lines.push(format!("sd = {}", pairs(sds.as_slice(), &PARAMETERS)));
            lines.push(format!("covariance = {}", matrix_text(covariance)));
        }
        lines.push(String::new());
        lines.join("\n")
    }
}

fn matrix_text(covariance: &IntrinsicsCovariance) -> String {
    let rows: Vec<String> = covariance
        .row_iter()
        .map(|row| {
            let numbers: Vec<String> = row.iter().map(|number| format!("{number:?}")).collect();
            format!("  [{}],\n", numbers.join(", "))
        })
        .collect();
    format!("[\n{}]", rows.concat())
}

/// Reads a whole profile.
fn profile(mut file: Reader<'_>) -> Option<CameraProfile> {
    if file.is_other_kind("matrix", "surface", "a model file of an aircraft") {
        return None;
    }
    if let Some(format) = file.required::<u32>("format")
        && *format.get_ref() != FORMAT
    {
        let found = *format.get_ref();
        file.fault(&format, ProfileFault::UnknownFormat { found });
    }
    let name = file.required_name("name");
    let width_px = size(&mut file, "width_px");
    let height_px = size(&mut file, "height_px");
    let camera = camera(&mut file);
    let rms_px = file.optional_number("rms_px", SD_LIMITS);
    let views = file.optional::<u32>("views");
    let sds = file.optional_table("sd").and_then(|mut table| {
        let values = PARAMETERS.map(|key| table.required_number(key, SD_LIMITS));
        table.finish();
        all(values)
    });
    let covariance = file
        .optional::<Vec<Vec<f64>>>("covariance")
        .and_then(|rows| checked_covariance(&file, &rows));
    file.finish();
    Some(CameraProfile {
        name: name?.into_inner(),
        width_px: width_px?,
        height_px: height_px?,
        camera: camera?,
        covariance: covariance.or_else(|| sds.map(covariance_from_sds)),
        rms_px: rms_px.map(Spanned::into_inner),
        views: views.map(|views| views.into_inner() as usize),
    })
}

/// Reads the camera's matrix and distortion.
fn camera(file: &mut Reader<'_>) -> Option<Camera> {
    let matrix = file.required_table("matrix").and_then(|mut table| {
        let values = [
            table.required_number("fx", FOCAL_LIMITS),
            table.required_number("fy", FOCAL_LIMITS),
            table.required_number("cx", CENTRE_LIMITS),
            table.required_number("cy", CENTRE_LIMITS),
        ];
        table.finish();
        all(values)
    });
    let distortion = file.required_table("distortion").and_then(|mut table| {
        let values =
            ["k1", "k2", "p1", "p2", "k3"].map(|key| table.required_number(key, DISTORTION_LIMITS));
        table.finish();
        all(values)
    });
    let [fx, fy, cx, cy] = matrix?;
    Some(Camera {
        fx,
        fy,
        cx,
        cy,
        distortion: distortion?,
    })
}

fn all<const N: usize>(values: [Option<Spanned<f64>>; N]) -> Option<[f64; N]> {
    let values: Option<Vec<f64>> = values
        .into_iter()
        .map(|value| value.map(Spanned::into_inner))
        .collect();
    values?.try_into().ok()
}

fn size(file: &mut Reader<'_>, key: &'static str) -> Option<usize> {
    let size = file.required::<u32>(key)?;
    let value = f64::from(*size.get_ref());
    if !SIZE_LIMITS.contains(value) {
        let limits = SIZE_LIMITS;
        file.fault(&size, TableFault::OutOfRange { key, value, limits });
        return None;
    }
    Some(size.into_inner() as usize)
}

fn covariance_from_sds(sds: [f64; INTRINSIC_COUNT]) -> IntrinsicsCovariance {
    IntrinsicsCovariance::from_diagonal(&SVector::from(sds.map(|sd| sd * sd)))
}

fn checked_covariance(
    file: &Reader<'_>,
    rows: &Spanned<Vec<Vec<f64>>>,
) -> Option<IntrinsicsCovariance> {
    let numbers = rows.get_ref();
    if numbers.len() != INTRINSIC_COUNT || numbers.iter().any(|row| row.len() != INTRINSIC_COUNT) {
        file.fault(rows, ProfileFault::NotSquare);
        return None;
    }
    let covariance = IntrinsicsCovariance::from_fn(|row, column| numbers[row][column]);
    if !is_covariance(&covariance) {
        file.fault(rows, ProfileFault::NotACovariance);
        return None;
    }
    Some(covariance)
}

/// Judged on the correlations of the parameters that have a variance, since the units differ.
fn is_covariance(covariance: &IntrinsicsCovariance) -> bool {
    let estimated: Vec<usize> = (0..INTRINSIC_COUNT)
        .filter(|&index| covariance[(index, index)] != 0.0)
        .collect();
    let rest_is_zero = (0..INTRINSIC_COUNT)
        .filter(|index| !estimated.contains(index))
        .all(|index| covariance.row(index).iter().all(|number| *number == 0.0));
    let correlation = DMatrix::from_fn(estimated.len(), estimated.len(), |row, column| {
        let (a, b) = (estimated[row], estimated[column]);
        covariance[(a, b)] / (covariance[(a, a)] * covariance[(b, b)]).sqrt()
    });
    let symmetric = (&correlation - correlation.transpose()).amax() <= COVARIANCE_TOLERANCE;
    rest_is_zero
        && correlation.iter().all(|number| number.is_finite())
        && (estimated.is_empty() || symmetric)
        && correlation
            .symmetric_eigenvalues()
            .iter()
            .all(|eigenvalue| *eigenvalue >= -COVARIANCE_TOLERANCE)
}
