//! Single values out of a TOML file.

use std::ops::Range;

use toml::Spanned;
use toml::de::DeValue;

/// Places that hold a value of the wrong type, each with the type found there.
pub type WrongTypes = Vec<(Range<usize>, &'static str)>;

/// A type that a key of a TOML file can hold.
pub trait FromToml: Sized {
    /// Description of the expected value, with its article.
    const EXPECTED: &'static str;
    /// Description of the expected values of a list.
    const EXPECTED_LIST: &'static str;

    /// Reads the value, or reports every place in it with the wrong type.
    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes>;
}

fn wrong<T>(value: &Spanned<DeValue<'_>>) -> Result<T, WrongTypes> {
    Err(vec![(value.span(), kind_of(value.get_ref()))])
}

/// Description of a value for messages.
pub fn kind_of(value: &DeValue<'_>) -> &'static str {
    match value {
        DeValue::String(_) => "a text",
        DeValue::Integer(integer) if integer.as_str().starts_with('-') => "a negative number",
        DeValue::Integer(_) => "a whole number",
        DeValue::Float(float) if float.as_str().ends_with(['n', 'f']) => "no finite number",
        DeValue::Float(_) => "a number with a point",
        DeValue::Boolean(_) => "true or false",
        DeValue::Datetime(_) => "a date",
        DeValue::Array(_) => "a list",
        DeValue::Table(_) => "a table",
    }
}

impl FromToml for String {
    const EXPECTED: &'static str = "a text in quotes";
    const EXPECTED_LIST: &'static str = "a list of texts in quotes";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        match value.get_ref().as_str() {
            Some(text) => Ok(text.to_owned()),
            None => wrong(value),
        }
    }
}

impl FromToml for bool {
    const EXPECTED: &'static str = "true or false";
    const EXPECTED_LIST: &'static str = "a list of true and false";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        value.get_ref().as_bool().map_or_else(|| wrong(value), Ok)
    }
}

impl FromToml for f64 {
    const EXPECTED: &'static str = "a number";
    const EXPECTED_LIST: &'static str = "a list of numbers";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        let number = match value.get_ref() {
            DeValue::Float(float) => float.as_str().parse::<f64>().ok(),
            DeValue::Integer(integer) => i64::from_str_radix(integer.as_str(), integer.radix())
                .ok()
                .map(|whole| whole as f64),
            _ => None,
        };
        match number.filter(|number| number.is_finite()) {
            Some(number) => Ok(number),
            None => wrong(value),
        }
    }
}

impl FromToml for u32 {
    const EXPECTED: &'static str = "a whole number, not negative";
    const EXPECTED_LIST: &'static str = "a list of whole numbers, not negative";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        let DeValue::Integer(integer) = value.get_ref() else {
            return wrong(value);
        };
        u32::from_str_radix(integer.as_str(), integer.radix()).or_else(|_| wrong(value))
    }
}

impl<T: FromToml> FromToml for Vec<T> {
    const EXPECTED: &'static str = T::EXPECTED_LIST;
    const EXPECTED_LIST: &'static str = "a list of lists";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        let Some(entries) = value.get_ref().as_array() else {
            return wrong(value);
        };
        let mut read = Vec::with_capacity(entries.len());
        let mut wrong_types = WrongTypes::new();
        for entry in entries.iter() {
            match T::from_toml(entry) {
                Ok(entry) => read.push(entry),
                Err(places) => wrong_types.extend(places),
            }
        }
        if wrong_types.is_empty() {
            Ok(read)
        } else {
            Err(wrong_types)
        }
    }
}

impl FromToml for [f64; 2] {
    const EXPECTED: &'static str = "two numbers in brackets";
    const EXPECTED_LIST: &'static str = "a list of pairs of numbers";

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        let read = Vec::<f64>::from_toml(value)?;
        read.try_into().or_else(|_| wrong(value))
    }
}

/// A value with its place, for lists whose entries are checked one by one.
impl<T: FromToml> FromToml for Spanned<T> {
    const EXPECTED: &'static str = T::EXPECTED;
    const EXPECTED_LIST: &'static str = T::EXPECTED_LIST;

    fn from_toml(value: &Spanned<DeValue<'_>>) -> Result<Self, WrongTypes> {
        Ok(Spanned::new(value.span(), T::from_toml(value)?))
    }
}
