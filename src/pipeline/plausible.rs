//! What no damper on a dyno does: the numbers are then not what their names and units say.

use crate::notice::{Error, Fault, Notice};
use crate::recording::{Channel, Role};
use crate::steps::Step;

/// The longest stroke and the highest speed taken for a dyno's, m and m/s: common practice,
/// from memory. Dampers of cars and motorcycles have 0.05 to 0.4 m of travel and are tested
/// up to some 3 m/s, a few machines reach 6 m/s.
const LONGEST_M: f64 = 1.0;
const FASTEST_M_S: f64 = 10.0;

/// Refuses a run that cannot be.
///
/// # Errors
/// [`Fault::Input`] for a stroke or a speed beyond every dyno's, unless both units it
/// follows from were stated by the person; and for stated signs with which the damper gives
/// out work.
pub(super) fn check(steps: &[Step], channels: &[Channel], said: &[Notice]) -> Result<(), Error> {
    let contradicts = |n: &&Notice| n.code == "signs-contradict-physics";
    if let Some(notice) = said.iter().find(contradicts) {
        let mut problem = Notice::error(&notice.code, notice.message.clone());
        problem.help.clone_from(&notice.help);
        return Err(Error::new(Fault::Input, problem));
    }
    let stated = |role| {
        let mut of_role = channels.iter().filter(|c| c.role == role).peekable();
        of_role.peek().is_none() || of_role.all(|c| c.unit_evidence == "stated")
    };
    if stated(Role::Displacement) && stated(Role::Time) {
        return Ok(());
    }
    let most = |of: fn(&Step) -> f64| steps.iter().map(of).fold(0.0, f64::max);
    let (stroke, speed) = (most(|s| s.stroke_m), most(Step::top_speed));
    if stroke <= LONGEST_M && speed <= FASTEST_M_S {
        return Ok(());
    }
    Err(Error::input(
        "not-plausible",
        format!(
            "the run has a stroke of {stroke:.3} m and a speed of {speed:.2} m/s; no damper dyno strokes more than \
             {LONGEST_M:.0} m or runs faster than {FASTEST_M_S:.0} m/s, so a unit, a column or the time base is not what the file says"
        ),
    )
    .help(
        "look at the columns with `loopwork inspect FILE`, then say the right column with --map or the right unit with --unit; \
         if the numbers are right, state both units: --unit displacement=UNIT --unit time=UNIT",
    ))
}
