//! Pictures and texts of a PDF by poppler-utils.

use std::path::PathBuf;
use std::process::Command;

use hingewise::clip::GreyImage;
use hingewise::print::{Area, Document};
use tempfile::TempDir;

/// Millimetres per inch.
pub const MM_PER_INCH: f64 = 25.4;

/// What a printer of this resolution puts on paper, cut out of the sheet.
pub struct Scan {
    pub image: GreyImage,
    pub dots_per_inch: f64,
}

impl Scan {
    pub fn mm(&self, length_px: f64) -> f64 {
        length_px * MM_PER_INCH / self.dots_per_inch
    }
}

/// A printed document: a PDF on disk, and what its printer makes of a millimetre.
pub struct Printed {
    folder: TempDir,
    printer_scale: [f64; 2],
}

impl Printed {
    /// By a printer that keeps the size.
    pub fn exactly(document: &Document) -> Self {
        Self::by_printer(document, [1.0, 1.0])
    }

    /// By a printer that stretches the page across and down.
    pub fn by_printer(document: &Document, printer_scale: [f64; 2]) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("print.pdf"), document.pdf()).unwrap();
        Self {
            folder,
            printer_scale,
        }
    }

    pub fn path(&self) -> PathBuf {
        self.folder.path().join("print.pdf")
    }

    /// A part of a sheet, numbered from 1. A printer that stretches the page stretches the place of
    /// the part too, so what is cut out is `area` of the PDF's page.
    pub fn scan(&self, sheet: usize, area: &Area, dots_per_inch: f64) -> Scan {
        let [x_dpi, y_dpi] = self.printer_scale.map(|scale| dots_per_inch * scale);
        let x_px = |length_mm: f64| (length_mm / MM_PER_INCH * x_dpi).round();
        let y_px = |length_mm: f64| (length_mm / MM_PER_INCH * y_dpi).round();
        let output = run(Command::new("pdftoppm")
            .args([
                "-gray",
                "-rx",
                &x_dpi.to_string(),
                "-ry",
                &y_dpi.to_string(),
            ])
            .args(["-f", &sheet.to_string(), "-l", &sheet.to_string()])
            .args(["-x", &x_px(area.left_mm).to_string()])
            .args(["-y", &y_px(area.top_mm).to_string()])
            .args(["-W", &x_px(area.width_mm).to_string()])
            .args(["-H", &y_px(area.height_mm).to_string()])
            .arg(self.path()));
        Scan {
            image: portable_grey_map(&output),
            dots_per_inch,
        }
    }

    /// A whole sheet, numbered from 1.
    pub fn scan_sheet(&self, sheet: usize, document: &Document, dots_per_inch: f64) -> Scan {
        let paper = &document.sheets[sheet - 1];
        let area = Area::new(0.0, 0.0, paper.width_mm, paper.height_mm);
        self.scan(sheet, &area, dots_per_inch)
    }

    /// The words of all sheets with the room that each takes, in poppler's own measure of the base
    /// fonts: text, left and right end in mm.
    pub fn words(&self) -> Vec<(String, [f64; 2])> {
        let output = run(Command::new("pdftotext")
            .args(["-bbox", "-enc", "UTF-8"])
            .arg(self.path())
            .arg("-"));
        String::from_utf8(output)
            .unwrap()
            .lines()
            .filter_map(|line| line.trim().strip_prefix("<word "))
            .map(|word| {
                let end_mm = |name: &str| {
                    let value = word.split(&format!("{name}=\"")).nth(1).unwrap();
                    let points: f64 = value.split('"').next().unwrap().parse().unwrap();
                    points * MM_PER_INCH / 72.0
                };
                let content = word.split_once('>').unwrap().1;
                let content = content.strip_suffix("</word>").unwrap();
                (content.to_owned(), [end_mm("xMin"), end_mm("xMax")])
            })
            .collect()
    }
}

/// Runs a program of poppler-utils; a missing one fails the test with what to do.
fn run(command: &mut Command) -> Vec<u8> {
    let output = command.output().unwrap_or_else(|error| {
        panic!(
            "{command:?} cannot be started ({error}): prints are checked with poppler-utils; \
             install it with `apt-get install poppler-utils`, `dnf install poppler-utils`, \
             `pacman -S poppler` or `brew install poppler`"
        )
    });
    assert!(
        output.status.success(),
        "{command:?}: {}",
        String::from_utf8_lossy(&output.stderr)
    );
    output.stdout
}

/// Reads a binary PGM of 8 bits (netpbm's `pgm` format).
fn portable_grey_map(file: &[u8]) -> GreyImage {
    let mut rest = file;
    let mut word = || {
        let end = rest.iter().position(u8::is_ascii_whitespace).unwrap();
        let word = std::str::from_utf8(&rest[..end]).unwrap().to_owned();
        rest = &rest[end + 1..];
        word
    };
    assert_eq!(word(), "P5");
    let [width_px, height_px] = [word(), word()].map(|number| number.parse().unwrap());
    assert_eq!(word(), "255");
    assert_eq!(rest.len(), width_px * height_px);
    GreyImage {
        width_px,
        height_px,
        pixels: rest.to_vec().into(),
    }
}
