//! Why two measurements cannot be compared.

/// Two measurements that cannot be compared.
#[derive(Debug, Clone, PartialEq, thiserror::Error, miette::Diagnostic)]
pub enum ComparisonError {
    /// Both are the same.
    #[error("both are the same measurement, of {clip}")]
    #[diagnostic(help(
        "give the measurement from before the numbers were entered and the one from after"
    ))]
    SameMeasurement {
        /// The clip that was measured.
        clip: String,
    },
    /// They are of two aircraft.
    #[error("the first measurement is of \"{before}\", the second of \"{after}\"")]
    #[diagnostic(help(
        "compare two measurements of one aircraft; --renamed compares them if it has another name now"
    ))]
    OtherAircraft {
        /// Name in the first measurement.
        before: String,
        /// Name in the second measurement.
        after: String,
    },
    /// No pair of surfaces is matched in both.
    #[error(
        "the two measurements share no matched pair: {} before, {} after",
        listed(before),
        listed(after)
    )]
    #[diagnostic(help(
        "compare two measurements made with the same [[match]] in the model file; `hingewise match \
         --model` matches a kept measurement anew"
    ))]
    NoSharedPair {
        /// Pairs of the first measurement.
        before: Vec<String>,
        /// Pairs of the second measurement.
        after: Vec<String>,
    },
    /// No station was measured on both sides.
    #[error("the {follower} and the {reference} were never measured at the same stick position")]
    #[diagnostic(help("read the warnings of that measurement, and film again"))]
    NoStation {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
    },
    /// There is no tolerance.
    #[error("the model file has no tolerance for the {follower} against the {reference}")]
    #[diagnostic(help(
        "set tolerance_deg in the [[match]] of the model file, and match the second measurement \
         again with `hingewise match --model`"
    ))]
    NoTolerance {
        /// Surface that is left alone.
        reference: String,
        /// Surface that is adjusted.
        follower: String,
    },
}

fn listed(pairs: &[String]) -> String {
    if pairs.is_empty() {
        "none".into()
    } else {
        pairs.join(", ")
    }
}
