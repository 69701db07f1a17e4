//! What all pages have around them: where one is, and the steps of the job.

use crate::bench::course::Course;
use crate::measurement;

/// The part of the bench that a page belongs to.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Place {
    Aircraft,
    Camera,
    Phone,
    Elsewhere,
}

/// The steps of the job of one aircraft.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum At {
    Overview,
    Describe,
    Print,
    Film,
    Numbers,
    Check,
}

/// One step as the page shows it.
pub struct Step {
    pub name: &'static str,
    pub href: String,
    pub here: bool,
    pub done: bool,
}

/// The frame around a page.
pub struct Shell {
    pub title: String,
    pub place: Place,
    pub steps: Vec<Step>,
    pub program: String,
}

impl Shell {
    pub fn of(title: impl Into<String>, place: Place) -> Self {
        Self {
            title: title.into(),
            place,
            steps: Vec::new(),
            program: measurement::program(),
        }
    }

    pub fn is_aircraft(&self) -> bool {
        self.place == Place::Aircraft
    }

    pub fn is_camera(&self) -> bool {
        self.place == Place::Camera
    }

    pub fn is_phone(&self) -> bool {
        self.place == Place::Phone
    }

    /// Around a page of one aircraft.
    pub fn step(title: impl Into<String>, course: &Course, at: At) -> Self {
        let id = &course.aircraft.id;
        let latest = course.latest.as_ref();
        let step = |name, href: String, step, done| Step {
            name,
            href,
            here: at == step,
            done,
        };
        let numbers = latest.map_or_else(
            || format!("/aircraft/{id}/film"),
            |measured| format!("/measurements/{}/numbers", measured.id),
        );
        let of_aircraft = |page: &str| format!("/aircraft/{id}/{page}");
        let steps = vec![
            step(
                "Describe",
                of_aircraft("edit"),
                At::Describe,
                course.aircraft.model.is_ok(),
            ),
            step("Print", of_aircraft("print"), At::Print, course.is_printed),
            step("Film", of_aircraft("film"), At::Film, latest.is_some()),
            step("Numbers", numbers, At::Numbers, course.is_entered()),
            step(
                "Check",
                of_aircraft("history"),
                At::Check,
                course.is_alike(),
            ),
        ];
        Self {
            steps,
            ..Self::of(title, Place::Aircraft)
        }
    }

    /// Around a page of an aircraft whose file may not be there.
    pub fn of_model(title: impl Into<String>, course: Option<&Course>, at: At) -> Self {
        match course {
            Some(course) => Self::step(title, course, at),
            None => Self::of(title, Place::Aircraft),
        }
    }
}
