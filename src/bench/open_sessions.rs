//! Sessions of one kind that are open: a few at once, and closed when nobody uses them.

use std::sync::{Arc, Mutex, MutexGuard};
use std::time::{Duration, Instant};

use axum::http::StatusCode;

use super::Refusal;
use super::lock::lock;

/// What holds for all sessions of a kind.
pub struct Rules {
    /// Most of them at once.
    pub most: usize,
    /// One that nobody used for so long is closed.
    pub idle_time: Duration,
    /// What is wrong where a session does not exist, and what to do.
    pub gone: [&'static str; 2],
    /// What they are called in the plural, and what to do where too many are open.
    pub too_many: [&'static str; 2],
}

impl Rules {
    fn gone(&self) -> Refusal {
        let [error, help] = self.gone;
        Refusal::new(StatusCode::NOT_FOUND, error, help)
    }

    fn too_many(&self) -> Refusal {
        let [plural, help] = self.too_many;
        Refusal::new(
            StatusCode::TOO_MANY_REQUESTS,
            format!("{} {plural} are open already", self.most),
            help,
        )
    }
}

/// When somebody last used a session.
pub struct Used(Mutex<Instant>);

impl Default for Used {
    fn default() -> Self {
        Self(Mutex::new(Instant::now()))
    }
}

impl Used {
    /// Notes that somebody uses the session.
    pub fn touch(&self) {
        *lock(&self.0) = Instant::now();
    }

    /// How long nobody has used it.
    pub fn unused_for(&self) -> Duration {
        lock(&self.0).elapsed()
    }

    /// Makes as if it was last used that long ago.
    #[cfg(test)]
    pub fn age(&self, time: Duration) {
        *lock(&self.0) = Instant::now().checked_sub(time).unwrap();
    }
}

/// A session that can be open.
pub trait OpenSession {
    /// What holds for all sessions of this kind.
    const RULES: Rules;

    /// Its id.
    fn id(&self) -> &str;

    /// When it was last used.
    fn used(&self) -> &Used;

    /// Whether it gives its place to a new session, since nothing is lost when it is closed.
    fn gives_way(&self) -> bool;
}

/// All open sessions of a kind, in the order in which they began.
pub struct OpenSessions<S>(Mutex<Vec<Arc<S>>>);

impl<S> Default for OpenSessions<S> {
    fn default() -> Self {
        Self(Mutex::default())
    }
}

impl<S: OpenSession> OpenSessions<S> {
    fn lock(&self) -> MutexGuard<'_, Vec<Arc<S>>> {
        let mut sessions = lock(&self.0);
        sessions.retain(|session| session.used().unused_for() < S::RULES.idle_time);
        sessions
    }

    /// Adds the session that `make` makes, given those that stay open. Where too many are open, one
    /// that gives way is closed once the new one is made.
    ///
    /// # Errors
    /// Too many are open, or what `make` says; then all stay open.
    pub fn add(
        &self,
        make: impl FnOnce(&[Arc<S>]) -> Result<S, Refusal>,
    ) -> Result<Arc<S>, Refusal> {
        let mut sessions = self.lock();
        let mut stay = sessions.clone();
        if stay.len() >= S::RULES.most {
            let spare = stay.iter().position(|session| session.gives_way());
            stay.remove(spare.ok_or_else(|| S::RULES.too_many())?);
        }
        let session = Arc::new(make(&stay)?);
        stay.push(session.clone());
        *sessions = stay;
        Ok(session)
    }

    /// The session of an id, which is used by this.
    ///
    /// # Errors
    /// It does not exist, or was closed.
    pub fn session(&self, id: &str) -> Result<Arc<S>, Refusal> {
        let sessions = self.lock();
        let session = sessions.iter().find(|session| session.id() == id);
        let session = session.ok_or_else(|| S::RULES.gone())?.clone();
        session.used().touch();
        Ok(session)
    }

    /// All open sessions.
    pub fn all(&self) -> Vec<Arc<S>> {
        self.lock().clone()
    }

    /// Closes a session.
    ///
    /// # Errors
    /// It does not exist, or was closed.
    pub fn close(&self, id: &str) -> Result<(), Refusal> {
        let mut sessions = self.lock();
        let place = sessions.iter().position(|session| session.id() == id);
        sessions.remove(place.ok_or_else(|| S::RULES.gone())?);
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    struct Session {
        id: String,
        used: Used,
        is_empty: bool,
    }

    impl OpenSession for Session {
        const RULES: Rules = Rules {
            most: 2,
            idle_time: Duration::from_secs(3600),
            gone: ["it is gone", "begin again"],
            too_many: ["sessions", "close one"],
        };

        fn id(&self) -> &str {
            &self.id
        }

        fn used(&self) -> &Used {
            &self.used
        }

        fn gives_way(&self) -> bool {
            self.is_empty
        }
    }

    fn session(id: &str, is_empty: bool) -> Session {
        Session {
            id: id.into(),
            used: Used::default(),
            is_empty,
        }
    }

    fn ids(sessions: &[Arc<Session>]) -> Vec<&str> {
        sessions.iter().map(|session| session.id.as_str()).collect()
    }

    #[test]
    fn one_that_is_empty_gives_way_only_to_one_that_begins() {
        let open = OpenSessions::default();
        open.add(|_| Ok(session("full", false))).unwrap();
        open.add(|_| Ok(session("empty", true))).unwrap();
        let refused = open.add(|_| Err(Refusal::fault()));
        assert_eq!(refused.err().unwrap().status(), 500);
        assert_eq!(ids(&open.all()), ["full", "empty"]);
        let added = open.add(|stay| {
            assert_eq!(ids(stay), ["full"]);
            Ok(session("new", false))
        });
        assert_eq!(added.unwrap().id, "new");
        assert_eq!(ids(&open.all()), ["full", "new"]);
        let refused = open.add(|_| Ok(session("late", false))).err().unwrap();
        assert_eq!(
            (refused.status().as_u16(), refused.error()),
            (429, "2 sessions are open already")
        );
        open.close("full").unwrap();
        assert_eq!(open.close("full").unwrap_err().status(), 404);
        assert_eq!(open.session("full").err().unwrap().status(), 404);
        assert_eq!(ids(&open.all()), ["new"]);
    }

    #[test]
    fn one_that_nobody_used_for_long_is_closed() {
        let open = OpenSessions::default();
        let first = open.add(|_| Ok(session("first", false))).unwrap();
        open.add(|_| Ok(session("second", false))).unwrap();
        first.used.age(2 * Session::RULES.idle_time);
        assert_eq!(ids(&open.all()), ["second"]);
    }
}
