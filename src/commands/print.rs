//! `print`: tags, station cards, boards and kits as PDF.

use std::path::{Path, PathBuf};

use clap::{Args, Subcommand, ValueEnum};

use super::calibrate::BoardOptions;
use super::output::{OutputFile, spare_inputs};
use super::terminal::{say, say_json};
use super::values::{Grid, length_mm};
use super::{CommandError, Common, Outcome};
use crate::camera::calibration::{Board, Charuco, Chessboard};
use crate::model_file::ModelFile;
use crate::print::{
    self, CardsPerSheet, DEFAULT_LEAN_DEG, Document, MeasuredBar, PageSetup, Paper, PrintError,
    TagMount, TagOrder,
};
use crate::vision::Dictionary;

/// Options of `print`.
#[derive(Debug, Args)]
pub struct Options {
    #[command(subcommand)]
    what: What,
}

#[derive(Debug, Subcommand)]
enum What {
    /// Tags of any ids and sizes, flat or on fold-up brackets
    #[command(after_help = "Example:\n  hingewise print tags 10 11 0:30 --bracket --out tags.pdf")]
    Tags {
        /// Ids, with an edge in mm where it differs: 10 11 0:30 100-140:8
        #[arg(required = true, value_name = "ID[:EDGE_MM]")]
        tags: Vec<String>,
        /// Outer edge of the black squares
        #[arg(long, value_parser = length_mm, default_value = "20")]
        edge_mm: f64,
        /// Put each tag on a fold-up bracket
        #[arg(long)]
        bracket: bool,
        /// Lean of the brackets from upright
        #[arg(long, requires = "bracket", default_value_t = DEFAULT_LEAN_DEG)]
        lean_deg: f64,
        #[command(flatten)]
        page: PageOptions,
    },
    /// Cards that show the stick positions to the camera
    #[command(after_help = "Example:\n  hingewise print cards --model heron.toml --out cards.pdf")]
    Cards {
        /// The model file
        #[arg(long)]
        model: PathBuf,
        /// Stick positions to print, such as -100,-50,0,50,100 [default: those of the model file]
        #[arg(long, value_delimiter = ',', allow_hyphen_values = true)]
        stations: Vec<f64>,
        /// Cards on one sheet: 1, 2, 4 or 8
        #[arg(long, default_value_t = 4)]
        per_sheet: u32,
        #[command(flatten)]
        page: PageOptions,
    },
    /// A board for calibrating the camera
    #[command(
        after_help = "Example:\n  hingewise print board --charuco 9x6 --square-mm 24 --marker-mm 18 --dictionary DICT_5X5_100 --out board.pdf"
    )]
    Board {
        #[command(flatten)]
        board: BoardOptions,
        #[command(flatten)]
        page: PageOptions,
    },
    /// Everything for one aircraft, labelled by surface
    #[command(after_help = "Example:\n  hingewise print kit --model heron.toml --out kit.pdf")]
    Kit {
        /// The model file
        #[arg(long)]
        model: PathBuf,
        /// Lean of the brackets from upright
        #[arg(long, default_value_t = DEFAULT_LEAN_DEG)]
        lean_deg: f64,
        /// Station cards on one sheet: 1, 2, 4 or 8
        #[arg(long, default_value_t = 4)]
        per_sheet: u32,
        #[command(flatten)]
        page: PageOptions,
    },
}

/// The paper, the printer and the file.
#[derive(Debug, Args)]
struct PageOptions {
    /// Paper in the printer
    #[arg(long, value_enum, default_value_t = PaperName::A4)]
    paper: PaperName,
    /// Measured lengths of the two 100 mm bars of an earlier print, along the short and long side
    /// of the paper; corrects this print
    #[arg(long, value_name = "SHORT[,LONG]")]
    measured_bar_mm: Option<String>,
    /// The PDF to write
    #[arg(long)]
    out: PathBuf,
}

#[derive(Debug, Clone, Copy, ValueEnum)]
enum PaperName {
    A4,
    Letter,
}

impl PageOptions {
    fn setup(&self) -> Result<PageSetup, PrintError> {
        let measured_bar = self
            .measured_bar_mm
            .as_deref()
            .map(str::parse)
            .transpose()?;
        let paper = match self.paper {
            PaperName::A4 => Paper::A4,
            PaperName::Letter => Paper::Letter,
        };
        Ok(PageSetup {
            paper,
            measured_bar,
        })
    }
}

impl What {
    fn page(&self) -> &PageOptions {
        match self {
            Self::Tags { page, .. }
            | Self::Cards { page, .. }
            | Self::Board { page, .. }
            | Self::Kit { page, .. } => page,
        }
    }

    /// The model file, where one is read.
    fn model(&self) -> Option<&Path> {
        match self {
            Self::Cards { model, .. } | Self::Kit { model, .. } => Some(model),
            Self::Tags { .. } | Self::Board { .. } => None,
        }
    }

    fn lay_out(&self, setup: &PageSetup) -> Result<Document, CommandError> {
        let document = match self {
            Self::Tags {
                tags,
                edge_mm,
                bracket,
                lean_deg,
                ..
            } => {
                let orders = tag_orders(tags, *edge_mm)?;
                let mount = match bracket {
                    true => TagMount::Bracket {
                        lean_deg: *lean_deg,
                    },
                    false => TagMount::Flat,
                };
                print::tags(&orders, mount, setup)?
            }
            Self::Cards {
                model,
                stations,
                per_sheet,
                ..
            } => {
                let cards = print::station_cards(&ModelFile::read(model)?, stations)?;
                print::cards(&cards, CardsPerSheet::try_from(*per_sheet)?, setup)?
            }
            Self::Board { board, .. } => print::board(&ordered_board(board)?, setup)?,
            Self::Kit {
                model,
                lean_deg,
                per_sheet,
                ..
            } => {
                let model = ModelFile::read(model)?;
                let per_sheet = CardsPerSheet::try_from(*per_sheet)?;
                print::kit(&model, *lean_deg, per_sheet, setup)?
            }
        };
        Ok(document)
    }
}

/// Writes the PDF.
pub fn run(options: &Options, common: Common) -> Result<Outcome, CommandError> {
    let page = options.what.page();
    let setup = page.setup()?;
    spare_inputs(&page.out, options.what.model().as_slice())?;
    let file = OutputFile::create(&page.out, common.force)?;
    let document = options.what.lay_out(&setup)?;
    let path = file.finish(document.pdf())?;
    let result = serde_json::json!({
        "pdf": path.display().to_string(),
        "title": document.title,
        "paper": setup.paper.name(),
        "sheets": document.sheets.len(),
    });
    say_json(common, &result);
    say(common, summary(&path, &document, &setup));
    Ok(Outcome::Done)
}

fn tag_orders(tags: &[String], edge_mm: f64) -> Result<Vec<TagOrder>, PrintError> {
    let orders: Result<Vec<_>, _> = tags
        .iter()
        .map(|text| TagOrder::parse(text, edge_mm))
        .collect();
    Ok(orders?.into_iter().flatten().collect())
}

/// The command line makes sure that one kind of board is named, with all that belongs to it.
fn ordered_board(options: &BoardOptions) -> Result<Board, PrintError> {
    let square_mm = options.square_mm;
    let Some(grid) = options.charuco else {
        let grid = options.chessboard.unwrap_or(Grid {
            columns: 0,
            rows: 0,
        });
        return Ok(Board::Chessboard(Chessboard {
            columns: grid.columns,
            rows: grid.rows,
            square_mm,
        }));
    };
    let name = options.dictionary.clone().unwrap_or_default();
    let dictionary = Dictionary::named(&name).ok_or(PrintError::UnknownDictionary { name })?;
    Ok(Board::Charuco(Charuco {
        columns: grid.columns,
        rows: grid.rows,
        square_mm,
        marker_mm: options.marker_mm.unwrap_or_default(),
        dictionary,
    }))
}

/// The file written, and advice.
fn summary(path: &Path, document: &Document, setup: &PageSetup) -> String {
    let count = document.sheets.len();
    let sheets = if count == 1 { "sheet" } else { "sheets" };
    let written = format!(
        "Wrote {}: {count} {sheets} of {}.",
        path.display(),
        setup.paper.name()
    );
    let advice = setup.measured_bar.map_or(MEASURE_FIRST.into(), corrected);
    format!("{written}\n{advice}")
}

const MEASURE_FIRST: &str = "Print at 100 % (\"actual size\"), then measure the two black bars: each \
must be 100.0 mm. If not, print again with --measured-bar-mm SHORT,LONG.";

fn corrected(bar: MeasuredBar) -> String {
    let earlier_mm = bar.printed_edge_mm(20.0);
    format!(
        "This print is corrected. Discard the earlier one, and do not change the sizes in the model file. \
         (To keep the earlier print instead, correct the model file: tags printed \
         with edge_mm = 20 measure {earlier_mm:.2} there.)"
    )
}
