//! `shankline sheet`: the page of markers to print and lay on the carpet.

use crate::cli::arguments::SheetArguments;
use crate::cli::print;
use crate::error::{Error, Result};
use crate::floor::sheet::page::{self, Format};
use crate::report;

/// Runs the command.
///
/// # Errors
/// [`Error::Input`] where the file cannot be written or its format cannot be told.
pub fn run(arguments: &SheetArguments) -> Result<()> {
    let extension = arguments.out.extension().map(|e| e.to_string_lossy().to_lowercase());
    let format = match (arguments.format, extension.as_deref()) {
        (Some(format), _) => format,
        (None, Some("pdf")) => Format::Pdf,
        (None, Some("svg")) => Format::Svg,
        (None, _) => {
            return Err(Error::input(format!(
                "{} ends in neither .pdf nor .svg: say which with --format.",
                arguments.out.display()
            )))
        }
    };
    report::can_write_file(&arguments.out)?;
    report::write_whole(&arguments.out, &page::write(arguments.paper, format)?)?;
    print(
        &format!(
            "sheet: {}\nPrint it at 100 % (no \"fit to page\"), on stiff paper or taped to card, and lay it flat on the carpet beside the kneeling leg, where the camera sees it.\n\
             Measure the two lines: each must be 100 mm; if not, give the measured length to check with --sheet-line-mm.\n",
            arguments.out.display()
        ),
        true,
    )
}
