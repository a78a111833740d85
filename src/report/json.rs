//! JSON, exactly as the contract in `docs/` has it.

use serde::Serialize;

use crate::notice::Error;

/// A result as pretty JSON with a newline at its end.
///
/// # Errors
/// [`crate::notice::Fault::Output`] if it cannot be serialised.
pub fn pretty<T: Serialize>(result: &T) -> Result<String, Error> {
    serde_json::to_string_pretty(result)
        .map(|text| text + "\n")
        .map_err(|e| {
            Error::output(
                "cannot-serialise",
                format!("the JSON could not be made: {e}"),
            )
        })
}
