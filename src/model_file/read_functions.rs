//! Reads the functions of an aircraft: their surfaces, match groups and stations.

use std::collections::BTreeMap;
use std::ops::Range;

use toml::Spanned;

use super::book::{Names, Scope, TagBook};
use super::fields::{Reader, all};
use super::read::name_of;
use super::read_match::match_groups;
use super::read_stations::stations;
use super::{Function, MatchGroup, ModelFault, Stations, Surface};

/// `[[match]]`, `[stations]` and `[[function]]` of a file.
pub(super) struct Declared {
    pub matches: Vec<MatchGroup>,
    pub stations: Stations,
    /// Empty where the file declares none.
    pub functions: Vec<Function>,
}

/// `[stations]` of the whole file.
enum Common {
    Missing,
    /// A fault, already recorded.
    Faulty,
    Read(Stations),
}

/// Reads what the surfaces do together, with functions or without.
pub(super) fn declared(
    file: &mut Reader<'_>,
    names: &Names,
    surfaces: &[Surface],
    book: &mut TagBook,
) -> Option<Declared> {
    let tables = file.tables("function");
    if tables.is_empty() {
        return without_functions(file, names, surfaces, book);
    }
    for group in file.tables("match") {
        let faults = group.faults();
        faults.push(group.span(), ModelFault::MatchOutsideFunction);
    }
    let common = match file.optional_table("stations") {
        Some(table) => stations(table, book).map_or(Common::Faulty, Common::Read),
        None if file.has("stations") => Common::Faulty,
        None => Common::Missing,
    };
    let mut reading = Reading {
        names,
        surfaces,
        book,
        common: &common,
        first_of_name: BTreeMap::new(),
        members: Some(Vec::new()),
    };
    let functions = all(tables.into_iter().map(|table| reading.function(table)));
    let members = reading.members.take();
    names.check_all_used(file.faults(), members.as_deref());
    let functions = functions?;
    let stations = match common {
        Common::Read(stations) => stations,
        Common::Faulty => return None,
        Common::Missing => functions.first()?.stations.clone(),
    };
    let matches = functions.iter().flat_map(|function| &function.matches);
    Some(Declared {
        matches: matches.cloned().collect(),
        stations,
        functions,
    })
}

/// Reads the match groups and stations of a file without functions.
fn without_functions(
    file: &mut Reader<'_>,
    names: &Names,
    surfaces: &[Surface],
    book: &mut TagBook,
) -> Option<Declared> {
    let matches = match_groups(file, names, surfaces, None);
    let stations = file
        .required_table("stations")
        .and_then(|table| stations(table, book));
    Some(Declared {
        matches: matches?,
        stations: stations?,
        functions: Vec::new(),
    })
}

/// What the tables of the functions share.
struct Reading<'a> {
    names: &'a Names,
    surfaces: &'a [Surface],
    book: &'a mut TagBook,
    common: &'a Common,
    first_of_name: BTreeMap<String, Range<usize>>,
    /// Surfaces of all functions so far; `None` where a list cannot be read.
    members: Option<Vec<String>>,
}

impl Reading<'_> {
    fn function(&mut self, mut table: Reader<'_>) -> Option<Function> {
        let name = name_of(&mut table);
        let is_named = name
            .as_ref()
            .is_some_and(|name| self.is_new_name(&table, name));
        let listed = table.required::<Vec<Spanned<String>>>("surfaces");
        let surfaces = listed.and_then(|listed| self.listed(&table, &listed));
        match (&mut self.members, &surfaces) {
            (Some(members), Some(surfaces)) => members.extend(surfaces.iter().cloned()),
            _ => self.members = None,
        }
        let scope = match (&name, &surfaces) {
            (Some(name), Some(surfaces)) => Some(Scope {
                function: name.get_ref(),
                surfaces,
            }),
            _ => None,
        };
        let matches = match_groups(&mut table, self.names, self.surfaces, scope);
        let stations = self.stations(&mut table);
        table.finish();
        Some(Function {
            name: name.filter(|_| is_named)?.into_inner(),
            surfaces: surfaces?,
            matches: matches?,
            stations: stations?,
        })
    }

    fn is_new_name(&mut self, table: &Reader<'_>, name: &Spanned<String>) -> bool {
        let text = name.get_ref().clone();
        if let Some(first) = self.first_of_name.get(&text) {
            let fault = ModelFault::RepeatedFunction { name: text };
            let first = Some(first.clone());
            table.faults().push_with_other(name.span(), fault, first);
            return false;
        }
        self.first_of_name.insert(text, name.span());
        true
    }

    /// The surfaces of a function; each has to be one of the file's, and to be listed once.
    fn listed(
        &self,
        table: &Reader<'_>,
        listed: &Spanned<Vec<Spanned<String>>>,
    ) -> Option<Vec<String>> {
        let mut first_of: BTreeMap<&str, Range<usize>> = BTreeMap::new();
        if listed.get_ref().is_empty() {
            table.fault(listed, ModelFault::Empty { key: "surfaces" });
            return None;
        }
        for name in listed.get_ref() {
            self.names.check(table.faults(), "function's surface", name);
            if let Some(first) = first_of.get(name.get_ref().as_str()) {
                let fault = ModelFault::ListedTwice {
                    name: name.get_ref().clone(),
                };
                let first = Some(first.clone());
                table.faults().push_with_other(name.span(), fault, first);
            } else {
                first_of.insert(name.get_ref(), name.span());
            }
        }
        let names = listed.get_ref().iter();
        Some(names.map(|name| name.get_ref().clone()).collect())
    }

    /// Stations of the function's own, else those of the whole file.
    fn stations(&mut self, table: &mut Reader<'_>) -> Option<Stations> {
        if let Some(own) = table.optional_table("stations") {
            return stations(own, self.book);
        }
        match self.common {
            Common::Read(stations) => Some(stations.clone()),
            Common::Faulty => None,
            Common::Missing => {
                table.demand(
                    "stations",
                    "a table [function.stations], or [stations] for all functions,",
                );
                None
            }
        }
    }
}
