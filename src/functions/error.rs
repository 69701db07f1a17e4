//! Why a clip cannot be measured for the functions of a file.

/// Functions that are not declared, or that a clip does not distinguish.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[non_exhaustive]
pub enum FunctionsError {
    /// A name that no function has.
    #[error("the model file declares no function {name:?}")]
    Unknown {
        /// The name.
        name: String,
        /// The function that was probably meant.
        meant: Option<String>,
        /// All functions of the file.
        functions: Vec<String>,
    },
    /// Several of the named functions move one surface.
    #[error("{} all move the {surface:?}", quoted(functions))]
    SurfaceShared {
        /// The surface.
        surface: String,
        /// The functions.
        functions: Vec<String>,
    },
    /// The motion of a surface fits several functions, or none.
    #[error(
        "the clip does not show which function moves the {surface:?}: {}",
        quoted(functions)
    )]
    Ambiguous {
        /// The surface.
        surface: String,
        /// The functions that can move it.
        functions: Vec<String>,
    },
}

fn quoted(names: &[String]) -> String {
    let names: Vec<String> = names.iter().map(|name| format!("{name:?}")).collect();
    names.join(" or ")
}

impl FunctionsError {
    /// What the person can do about it.
    pub fn mend(&self) -> String {
        match self {
            Self::Unknown {
                meant: Some(meant), ..
            } => format!("did you mean {meant:?}?"),
            Self::Unknown { functions, .. } if functions.is_empty() => {
                "leave --function out: without [[function]] all surfaces belong together".into()
            }
            Self::Unknown { functions, .. } => {
                format!("the functions are: {}", functions.join(", "))
            }
            Self::SurfaceShared { .. } => {
                "film one clip for each of them, and name one function at a time".into()
            }
            Self::Ambiguous { .. } => {
                "choose one with --function, and move nothing else in the clip".into()
            }
        }
    }
}
