//! A new camera profile: the board, how to film it, and the clip.

use askama::Template;
use axum::body::Body;
use axum::extract::{Query, State};
use axum::http::{HeaderMap, StatusCode};
use axum::response::Response;

use super::print::{Setup, shown};
use super::{Place, Shell, html, onward, page, sentence};
use crate::bench::blocking::blocking;
use crate::bench::calibrate::{self, BoardOrder, Markers};
use crate::bench::form::{Form, number};
use crate::bench::free_name::{file_stem, free_name};
use crate::bench::guide::is_free_profile;
use crate::bench::line::Order;
use crate::bench::{Bench, Refusal, Shared};
use crate::names::{LONGEST_NAME, is_too_long};
use crate::print;

/// The board that the bench prints, the same that the manual names: it fills a sheet of A4 or Letter.
fn own_board() -> BoardOrder {
    BoardOrder {
        columns: 9,
        rows: 6,
        square_mm: 24.0,
        markers: Some(Markers {
            marker_mm: 18.0,
            dictionary: "DICT_5X5_100".into(),
        }),
    }
}

#[derive(Template)]
#[template(path = "calibration.html", config = "src/bench/askama.toml")]
struct Page {
    shell: Shell,
    form: Form,
    clips: Vec<(String, String)>,
    error: String,
    field: &'static str,
}

impl Page {
    fn of(bench: &Bench, form: Form, field: &'static str, error: String) -> Self {
        let clips = bench.workshop.clips().into_iter();
        let clips = clips.map(|clip| (clip.id, clip.file.display().to_string()));
        let stills = bench.workshop.stills().into_iter();
        let stills = stills.map(|one| (one.id, format!("stills in {}", one.file.display())));
        Self {
            shell: Shell::of("Calibrate a camera", Place::Camera),
            clips: clips.chain(stills).collect(),
            form,
            error,
            field,
        }
    }

    fn is(&self, field: &str, value: &str) -> bool {
        self.form.get(field) == value
    }
}

pub async fn form(
    State(bench): State<Shared>,
    Query(fields): Query<Vec<(String, String)>>,
) -> Result<Response, Refusal> {
    let clip = fields.into_iter().find(|(name, _)| name == "clip");
    let clip = clip.map(|(_, clip)| clip).unwrap_or_default();
    blocking(move || {
        let form = usual_form(&clip)?;
        page(&Page::of(&bench, form, "", String::new()))
    })
    .await
}

/// The form as it is at first, with the board that the bench prints.
pub fn usual_form(clip: &str) -> Result<Form, Refusal> {
    let board = own_board();
    let mut usual = form_urlencoded::Serializer::new(String::new());
    usual
        .append_pair("columns", &board.columns.to_string())
        .append_pair("rows", &board.rows.to_string())
        .append_pair("square_mm", &board.square_mm.to_string())
        .append_pair("clip", clip);
    if let Some(markers) = board.markers {
        usual
            .append_pair("marker_mm", &markers.marker_mm.to_string())
            .append_pair("dictionary", &markers.dictionary);
    }
    Form::read(usual.finish().as_bytes())
}

/// The board as PDF.
pub async fn board(Query(setup): Query<Setup>) -> Result<Response, Refusal> {
    blocking(move || {
        let board = own_board().board()?;
        Ok(shown(&print::board(&board, &setup.page()?)?, "board.pdf"))
    })
    .await
}

/// Takes a clip of the board in that a browser sends without script.
pub async fn upload(
    State(bench): State<Shared>,
    headers: HeaderMap,
    body: Body,
) -> Result<Response, Refusal> {
    let clip = super::film::take_form(&bench, &headers, body).await?;
    Ok(onward(&format!("/camera/new?clip={clip}")))
}

/// Puts a calibration into the line.
pub async fn order(State(bench): State<Shared>, form: Form) -> Result<Response, Refusal> {
    blocking(move || match placed(&bench, &form) {
        Ok(id) => Ok(onward(&format!("/measurements/{id}"))),
        Err((field, error)) => {
            let template = Page::of(&bench, form, field, sentence(&error));
            html(&template, StatusCode::UNPROCESSABLE_ENTITY)
        }
    })
    .await
}

/// A field, and what is wrong with it.
pub type Wrong = (&'static str, String);

/// The name of the camera and its mode.
pub fn name_of(form: &Form) -> Result<String, Wrong> {
    let name = form.get("name").to_owned();
    if name.is_empty() {
        return Err((
            "name",
            "Name the camera and its mode, such as phone, 1080p, 1x".into(),
        ));
    }
    if is_too_long(&name) {
        let words = format!("Write a name of at most {LONGEST_NAME} letters");
        return Err(("name", words));
    }
    Ok(name)
}

/// The board that the form describes.
pub fn board_of(form: &Form) -> Result<BoardOrder, Wrong> {
    let whole = |field: &'static str| {
        let count = form.get(field).parse::<usize>();
        count.map_err(|_| (field, "Write a whole number, such as 9".to_owned()))
    };
    let square_mm = number(form.get("square_mm"));
    let board = BoardOrder {
        columns: whole("columns")?,
        rows: whole("rows")?,
        square_mm: square_mm.ok_or((
            "square_mm",
            "Write the edge of a square in mm, such as 24".to_owned(),
        ))?,
        markers: markers(form)?,
    };
    board
        .board()
        .map_err(|error| ("square_mm", format!("{error}: {}", error.mend())))?;
    Ok(board)
}

fn placed(bench: &Bench, form: &Form) -> Result<String, Wrong> {
    let name = name_of(form)?;
    let board = board_of(form)?;
    let clip = form.get("clip");
    let stills = bench.workshop.stills();
    let clip = match stills.into_iter().find(|stills| stills.id == clip) {
        Some(stills) => stills.file,
        None => {
            let clip = bench.workshop.clip_of(clip);
            clip.map_err(|_| ("clip", "Choose the clip of the board".to_owned()))?
                .file
        }
    };
    let order = Order::Calibrate(calibrate::Order {
        out: free_name(&file_stem(&name), ".toml", |file| {
            is_free_profile(bench, file)
        }),
        clip,
        board,
        name,
    });
    bench
        .line
        .add(order)
        .map_err(|refusal| ("name", refusal.error().to_owned()))
}

/// The markers of a ChArUco board; none for a chessboard.
fn markers(form: &Form) -> Result<Option<Markers>, Wrong> {
    let dictionary = form.get("dictionary");
    if dictionary.is_empty() && form.get("marker_mm").is_empty() {
        return Ok(None);
    }
    let marker_mm = number(form.get("marker_mm"));
    Ok(Some(Markers {
        marker_mm: marker_mm.ok_or((
            "marker_mm",
            "Write the edge of a marker in mm, such as 18".to_owned(),
        ))?,
        dictionary: dictionary.to_owned(),
    }))
}
