//! What every pattern says about its own limits, on the cover sheet and in the report. General words,
//! no advice on anybody's health.

/// How to print; the cover says it in its first step.
pub const CAUTION_SCALE: &str = "Measure the square of 100 mm on the printed sheet first; print at actual size, never fitted to the page.";

/// Which way round; the cover says it in its last step.
pub const CAUTION_SIDES: &str =
    "LEFT and RIGHT are the client's own. The outside, the hair side, faces you.";

/// The cautions, the most important first.
pub const CAUTIONS: [&str; 8] = [
    "Not a medical device and not medical advice: the specialist and the client's clinician decide.",
    "Make a trial of paper or net and try it on before good material is cut.",
    CAUTION_SCALE,
    CAUTION_SIDES,
    "Glue, tape, coating and metal can irritate skin: try a small patch inside the arm or behind the ear \
     for 24 to 48 hours before the first wear.",
    "No seam, dart, clip, binding or comb over scars, recent surgery, implants, grafts, irradiated, broken \
     or tender skin: mark such places as keep-clear. During or soon after treatment ask the treating team \
     before any fitting.",
    "Clips and tension pull on the hair that is left; thin film lets no sweat through.",
    "Local rules and licensed practice go before anything printed here. This file is about a person: keep \
     it where only you can read it.",
];
