//! Forms: fields by name, as browsers send them.

use axum::body::Bytes;
use axum::extract::{FromRequest, Request};
use axum::http::StatusCode;
use axum::response::{IntoResponse, Response};

use super::Refusal;

/// Most fields of a form: an aircraft of ninety surfaces has some eight hundred.
const MOST_FIELDS: usize = 5000;

/// The fields of a form in their order; a name may come more than once.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct Form(Vec<(String, String)>);

impl Form {
    /// Reads what a browser sends for a form.
    ///
    /// # Errors
    /// More fields than any form has.
    pub fn read(body: &[u8]) -> Result<Self, Refusal> {
        let fields: Vec<(String, String)> = form_urlencoded::parse(body)
            .take(MOST_FIELDS + 1)
            .map(|(name, value)| (name.into_owned(), value.into_owned()))
            .collect();
        if fields.len() > MOST_FIELDS {
            return Err(Refusal::new(
                StatusCode::PAYLOAD_TOO_LARGE,
                "the form has more fields than any form of the bench",
                "send it from the page",
            ));
        }
        Ok(Self(fields))
    }

    /// The first value of a name, without blanks around it; empty where there is none.
    pub fn get(&self, name: &str) -> &str {
        let mut fields = self.0.iter();
        let field = fields.find(|(field, _)| field == name);
        field.map_or("", |(_, value)| value.trim())
    }

    /// The same where it is not empty.
    pub fn filled(&self, name: &str) -> Option<String> {
        let value = self.get(name);
        (!value.is_empty()).then(|| value.into())
    }

    /// Whether there is such a field, be it empty.
    pub fn has(&self, name: &str) -> bool {
        self.0.iter().any(|(field, _)| field == name)
    }

    /// All values of a name.
    pub fn all<'a>(&'a self, name: &'a str) -> impl Iterator<Item = &'a str> {
        let fields = self.0.iter().filter(move |(field, _)| field == name);
        fields.map(|(_, value)| value.trim())
    }

    /// All fields, in their order.
    pub fn fields(&self) -> impl Iterator<Item = (&str, &str)> {
        self.0
            .iter()
            .map(|(name, value)| (name.as_str(), value.trim()))
    }
}

impl<S: Send + Sync> FromRequest<S> for Form {
    type Rejection = Response;

    async fn from_request(request: Request, state: &S) -> Result<Self, Response> {
        let body = Bytes::from_request(request, state).await;
        let body = body.map_err(IntoResponse::into_response)?;
        Self::read(&body).map_err(IntoResponse::into_response)
    }
}

/// A number as people write it, with a point or a comma.
pub fn number(text: &str) -> Option<f64> {
    let number: f64 = text.trim().replace(',', ".").parse().ok()?;
    number.is_finite().then_some(number)
}
