//! One table of a TOML file, read key by key.

use std::ops::Range;

use toml::Spanned;
use toml::de::{DeString, DeTable, DeValue};

use super::values::kind_of;
use super::{Fault, FaultList, FromToml, Limits, TableFault, closest};
use crate::names;

/// One table of the file, read key by key; [`TableReader::finish`] refuses the keys left over.
#[must_use = "call `finish`, or unknown keys go unnoticed"]
pub struct TableReader<'t, F> {
    name: String,
    table: &'t DeTable<'t>,
    span: Range<usize>,
    known: Vec<&'static str>,
    missing: Vec<(&'static str, &'static str)>,
    faults: &'t FaultList<F>,
}

impl<'t, F: Fault> TableReader<'t, F> {
    /// The whole file as a table.
    pub(super) fn of_file(table: &'t DeTable<'t>, faults: &'t FaultList<F>) -> Self {
        Self::new("the file".into(), table, 0..0, faults)
    }

    fn new(
        name: String,
        table: &'t DeTable<'t>,
        span: Range<usize>,
        faults: &'t FaultList<F>,
    ) -> Self {
        Self {
            name,
            table,
            span,
            known: Vec::new(),
            missing: Vec::new(),
            faults,
        }
    }

    /// Place of the table in the file.
    pub fn span(&self) -> Range<usize> {
        self.span.clone()
    }

    /// Where faults go.
    pub fn faults(&self) -> &'t FaultList<F> {
        self.faults
    }

    /// Whether the whole file is of another kind: it has a key of that kind, and lacks its own. Records
    /// that as its only fault.
    pub fn is_other_kind(&self, own_key: &str, other_key: &str, other: &'static str) -> bool {
        let is_other = self.has(other_key) && !self.has(own_key);
        if is_other {
            self.faults
                .push(0..1, TableFault::OtherKind { what: other });
        }
        is_other
    }

    /// Records a fault at a value.
    pub fn fault<T>(&self, value: &Spanned<T>, fault: impl Into<F>) {
        self.faults.push(value.span(), fault);
    }

    /// Whether the key is there, at fault or not.
    pub fn has(&self, key: &str) -> bool {
        self.table.contains_key(key)
    }

    /// Whether the table has no keys at all.
    pub fn is_empty(&self) -> bool {
        self.table.is_empty()
    }

    /// The value of a key that may be left out.
    pub fn optional<T: FromToml>(&mut self, key: &'static str) -> Option<Spanned<T>> {
        let value = self.look_up(key)?;
        match T::from_toml(value) {
            Ok(read) => Some(Spanned::new(value.span(), read)),
            Err(wrong) => {
                for (span, found) in wrong {
                    self.faults
                        .push(span, TableFault::wrong_type::<T>(key, found));
                }
                None
            }
        }
    }

    /// The value of a key that has to be there.
    pub fn required<T: FromToml>(&mut self, key: &'static str) -> Option<Spanned<T>> {
        self.demand(key, T::EXPECTED);
        self.optional(key)
    }

    /// A name that has to be there.
    pub fn required_name(&mut self, key: &'static str) -> Option<Spanned<String>> {
        let name = self.required::<String>(key)?;
        if names::is_too_long(name.get_ref()) {
            let letters = name.get_ref().chars().count();
            self.fault(&name, TableFault::TooLong { key, letters });
            return None;
        }
        Some(name)
    }

    /// A number within limits, which may be left out.
    pub fn optional_number(&mut self, key: &'static str, limits: Limits) -> Option<Spanned<f64>> {
        let number = self.optional::<f64>(key)?;
        self.within(key, &number, limits).then_some(number)
    }

    /// A number within limits, which has to be there.
    pub fn required_number(&mut self, key: &'static str, limits: Limits) -> Option<Spanned<f64>> {
        self.demand(key, f64::EXPECTED);
        self.optional_number(key, limits)
    }

    /// A list of numbers within limits, which may be left out.
    pub fn optional_numbers(
        &mut self,
        key: &'static str,
        limits: Limits,
    ) -> Option<Spanned<Vec<f64>>> {
        let numbers = self.optional::<Vec<Spanned<f64>>>(key)?;
        let span = numbers.span();
        let outside = numbers
            .get_ref()
            .iter()
            .filter(|number| !self.within(key, number, limits))
            .count();
        let values = numbers.into_inner().into_iter().map(Spanned::into_inner);
        (outside == 0).then(|| Spanned::new(span, values.collect()))
    }

    /// One of the named choices, if the key is there.
    pub fn optional_choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&'static str, T)],
    ) -> Option<T> {
        let word = self.optional::<String>(key)?;
        let chosen = choices.iter().find(|(name, _)| name == word.get_ref());
        if chosen.is_none() {
            let names: Vec<&str> = choices.iter().map(|(name, _)| *name).collect();
            self.faults.push(
                word.span(),
                TableFault::not_one_of(key, word.get_ref(), &names),
            );
        }
        chosen.map(|(_, value)| *value)
    }

    /// One of the named choices; the key has to be there.
    pub fn required_choice<T: Copy>(
        &mut self,
        key: &'static str,
        choices: &[(&'static str, T)],
    ) -> Option<T> {
        self.demand(key, String::EXPECTED);
        self.optional_choice(key, choices)
    }

    /// A table inside this one, which may be left out.
    pub fn optional_table(&mut self, key: &'static str) -> Option<TableReader<'t, F>> {
        let value = self.look_up(key)?;
        let name = self.name_of_inner(key);
        self.enter(key, value, name)
    }

    /// A table inside this one, which has to be there.
    pub fn required_table(&mut self, key: &'static str) -> Option<TableReader<'t, F>> {
        self.demand(key, "a table");
        self.optional_table(key)
    }

    /// The tables written as `[[key]]`, none if there are none.
    pub fn tables(&mut self, key: &'static str) -> Vec<TableReader<'t, F>> {
        let Some(value) = self.look_up(key) else {
            return Vec::new();
        };
        let Some(tables) = value.get_ref().as_array() else {
            let found = kind_of(value.get_ref());
            let expected = "a list of tables, each headed by its name in double brackets,";
            self.push_wrong_type(key, value.span(), expected, found);
            return Vec::new();
        };
        let name = match self.name.strip_prefix("[[") {
            Some(outer) => format!("[[{}.{key}]]", outer.trim_end_matches(']')),
            None => format!("[[{key}]]"),
        };
        tables
            .iter()
            .filter_map(|table| self.enter(key, table, name.clone()))
            .collect()
    }

    /// The keys of a table whose keys the user chooses, with their tables.
    pub fn inner_tables(&mut self) -> Vec<(Spanned<String>, TableReader<'t, F>)> {
        self.table
            .iter()
            .filter_map(|(key, value)| {
                let name = format!("[… .{:?}]", key.get_ref());
                let owned = Spanned::new(key.span(), key.get_ref().to_string());
                Some((owned, self.enter("the entry", value, name)?))
            })
            .collect()
    }

    /// The keys of a table whose keys the user chooses, with their numbers.
    pub fn inner_numbers(&mut self, limits: Limits) -> Vec<(Spanned<String>, f64)> {
        let mut numbers = Vec::new();
        for (key, value) in self.table {
            match f64::from_toml(value) {
                Ok(number) => {
                    if self.within("the entry", &Spanned::new(value.span(), number), limits) {
                        let owned = Spanned::new(key.span(), key.get_ref().to_string());
                        numbers.push((owned, number));
                    }
                }
                Err(_) => {
                    let found = kind_of(value.get_ref());
                    self.push_wrong_type("the entry", value.span(), f64::EXPECTED, found);
                }
            }
        }
        numbers
    }

    /// Whether an unknown key reads like this one. Ask only after all keys were looked up.
    pub fn is_misspelt(&self, key: &str) -> bool {
        self.unknown()
            .any(|unknown| closest(unknown.get_ref(), self.known.iter().copied()) == Some(key))
    }

    /// Rejects every key that was not read, and reports missing ones.
    ///
    /// A misspelt key is reported once, not as an unknown and a missing one.
    pub fn finish(self) {
        for &(key, expected) in &self.missing {
            if !self.is_misspelt(key) {
                let table = self.name.clone();
                let fault = TableFault::MissingKey {
                    key,
                    table,
                    expected,
                };
                self.faults.push(self.span(), fault);
            }
        }
        for key in self.unknown() {
            let fault = TableFault::unknown_key(key.get_ref(), &self.name, &self.known);
            self.faults.push(key.span(), fault);
        }
    }

    fn unknown(&self) -> impl Iterator<Item = &Spanned<DeString<'t>>> {
        self.table
            .keys()
            .filter(|key| !self.known.contains(&key.get_ref().as_ref()))
    }

    fn look_up(&mut self, key: &'static str) -> Option<&'t Spanned<DeValue<'t>>> {
        self.known.push(key);
        self.table.get(key)
    }

    /// Makes [`TableReader::finish`] report `key` as missing, if it is.
    pub fn demand(&mut self, key: &'static str, expected: &'static str) {
        if !self.has(key) {
            self.missing.push((key, expected));
        }
    }

    fn within(&self, key: &'static str, number: &Spanned<f64>, limits: Limits) -> bool {
        let value = *number.get_ref();
        let within = limits.contains(value);
        if !within {
            self.faults
                .push(number.span(), TableFault::OutOfRange { key, value, limits });
        }
        within
    }

    fn enter(
        &self,
        key: &'static str,
        value: &'t Spanned<DeValue<'t>>,
        name: String,
    ) -> Option<TableReader<'t, F>> {
        match value.get_ref().as_table() {
            Some(table) => Some(TableReader::new(name, table, value.span(), self.faults)),
            None => {
                let found = kind_of(value.get_ref());
                self.push_wrong_type(key, value.span(), "a table", found);
                None
            }
        }
    }

    fn push_wrong_type(
        &self,
        key: &'static str,
        span: Range<usize>,
        expected: &'static str,
        found: &'static str,
    ) {
        self.faults.push(
            span,
            TableFault::WrongType {
                key,
                expected,
                found,
            },
        );
    }

    fn name_of_inner(&self, key: &str) -> String {
        match self.name.strip_suffix(']') {
            Some(outer) if !outer.starts_with("[[") => format!("{outer}.{key}]"),
            Some(_) => format!("`{key}` of {}", self.name),
            None => format!("[{key}]"),
        }
    }
}
