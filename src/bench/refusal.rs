//! Refusals: what is answered where a request cannot be met, with what is wrong and what to do.

use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};
use miette::Diagnostic;
use serde::Serialize;

use crate::commands::{CommandError, with_causes};

/// Why a request is not met.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Refusal {
    #[serde(skip)]
    status: StatusCode,
    /// What is wrong.
    error: String,
    /// What to do about it.
    help: String,
}

impl Refusal {
    /// A refusal in words.
    pub fn new(status: StatusCode, error: impl Into<String>, help: impl Into<String>) -> Self {
        Self {
            status,
            error: error.into(),
            help: help.into(),
        }
    }

    /// Nothing has this address or this id.
    pub fn not_found(what: &str) -> Self {
        Self::new(
            StatusCode::NOT_FOUND,
            format!("there is no such {what}"),
            "go back to the first page; the file may have been moved or deleted",
        )
    }

    /// The body of the request says something that cannot be meant.
    pub fn bad_request(error: impl Into<String>, help: impl Into<String>) -> Self {
        Self::new(StatusCode::BAD_REQUEST, error, help)
    }

    /// The body is larger than what is accepted.
    pub fn too_large(most_bytes: u64) -> Self {
        Self::new(
            StatusCode::PAYLOAD_TOO_LARGE,
            format!("more than {most_bytes} bytes were sent"),
            "send less; a clip may have up to 4 GB",
        )
    }

    /// Something cannot be written to the folder that is served.
    pub fn not_kept(status: StatusCode, what: &str, cause: &std::io::Error) -> Self {
        Self::new(
            status,
            format!("{what} cannot be kept: {cause}"),
            "check that the folder is writable and has free space",
        )
    }

    /// What a command would have said.
    pub fn of(error: &CommandError) -> Self {
        let (words, help) = command_words(error);
        Self::new(StatusCode::UNPROCESSABLE_ENTITY, words, help)
    }

    /// The program itself is at fault.
    pub fn fault() -> Self {
        Self::new(
            StatusCode::INTERNAL_SERVER_ERROR,
            "the program failed while it worked on this request",
            "try again; if it fails again, report it with the files that you used",
        )
    }

    /// The same, with a name that means something to the person in place of a temporary one.
    #[must_use]
    pub fn naming(mut self, temporary: &str, name: &str) -> Self {
        self.error = self.error.replace(temporary, name);
        self.help = self.help.replace(temporary, name);
        self
    }

    /// The status of the answer.
    pub fn status(&self) -> StatusCode {
        self.status
    }

    /// What is wrong, as a sentence.
    pub fn error(&self) -> &str {
        &self.error
    }

    /// What to do, as a sentence.
    pub fn help(&self) -> &str {
        &self.help
    }
}

/// The message of a command with those of its causes, and what helps.
pub fn command_words(error: &CommandError) -> (String, String) {
    let mut words = with_causes(error);
    for fault in error.related().into_iter().flatten() {
        words += &format!("; {fault}");
    }
    let help = error.help().map(|help| help.to_string());
    (words, help.unwrap_or_default())
}

impl<E: Into<CommandError>> From<E> for Refusal {
    fn from(error: E) -> Self {
        Self::of(&error.into())
    }
}

impl IntoResponse for Refusal {
    fn into_response(self) -> Response {
        // The guard turns it into a page where a page was asked for.
        let mut response = (self.status, axum::Json(&self)).into_response();
        response.extensions_mut().insert(self);
        response
    }
}
