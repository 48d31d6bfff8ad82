//! The keys of a site file, and what each expects.

use crate::toml_doc::Schema;

const NUMBER_M: &str = "a number of metres";
const CORNERS: &str = "corners [[east, north], …] in metres";

pub(super) const SITE: Schema = Schema {
    keys: &[
        ("site", "a table [site]", Some(&SITE_TABLE)),
        ("track", "a table [track]", Some(&TRACK)),
        ("source", "a table [source]", Some(&SOURCE)),
        ("frame", "a table [frame]", Some(&FRAME)),
        ("anchor", "tables [[anchor]], one a board", Some(&ANCHOR)),
        ("zone", "tables [[zone]]", Some(&ZONE)),
        ("tag", "tables [[tag]], one a tag that is to be tracked", Some(&TAG)),
        ("log", "a table [log]", Some(&LOG)),
        ("api", "a table [api]", Some(&API)),
    ],
};
pub(super) const KIT: Schema = Schema {
    keys: &[("source", "a table [source]", Some(&SOURCE)), ("frame", "a table [frame]", Some(&FRAME))],
};
const SITE_TABLE: Schema = Schema {
    keys: &[
        ("name", "text", None),
        ("dimension", "\"2d\" (with tag_height_m) or \"3d\"", None),
        ("tag_height_m", NUMBER_M, None),
        ("area_m", CORNERS, None),
        ("up_span_m", "[lowest, highest] place of the tag in metres", None),
        ("range_sigma_m", "the standard deviation of one range in metres", None),
        ("range_span_m", "[shortest, longest] believable range in metres", None),
        ("required_ce95_m", NUMBER_M, None),
        ("tag_height_se_m", "the standard error of tag_height_m in metres", None),
        ("max_offset_m", "the largest offset that a board may have, in metres", None),
    ],
};
const TRACK: Schema = Schema {
    keys: &[
        ("estimator", "the name of an estimator in quotes", None),
        ("delayed_s", "a number of seconds, like 1.0", None),
        ("lost_after_s", "a number of seconds", None),
        ("lost_radius95_m", NUMBER_M, None),
        ("slow_error_m", NUMBER_M, None),
        ("tag_offset_m", NUMBER_M, None),
        ("max_age_s", "a number of seconds, like 0.3", None),
        ("tag_forgotten_after_s", "a number of seconds, like 600", None),
    ],
};
const SOURCE: Schema = Schema {
    keys: &[
        ("port", "a device path, or tcp://…, udp://…, file://…, sim://… in quotes", None),
        ("baud", "a whole number like 115200", None),
        ("dtr", "true (assert DTR and RTS after opening) or false (let both go)", None),
    ],
};
const FRAME: Schema = Schema {
    keys: &[
        ("layout", "a binary layout in quotes, like \"c3 5a seq:u8 range:u16le*8 sum8\"", None),
        ("layout_text", "a text layout in quotes, like \"'R,' tag ',' range*4\"", None),
        ("layout_json", "JSON pointers in quotes, like \"seq=/n range=/d/0\"", None),
        ("unit", "\"m\", \"cm\" or \"mm\"", None),
        ("no_range", "a number in the module's own unit, \"nan\", or a list of these", None),
    ],
};
const ANCHOR: Schema = Schema {
    keys: &[
        ("id", "the id the board is set to, a whole number from 0 to 65535", None),
        ("name", "text", None),
        ("at_m", "[east, north, up] in metres, three numbers", None),
        ("range_sigma_m", "the standard deviation of one range in metres", None),
        ("slot", "the number of its range field in the frame, from 0", None),
    ],
};
const ZONE: Schema = Schema {
    keys: &[
        ("name", "text", None),
        ("polygon_m", CORNERS, None),
        ("holes_m", "a list of outlines, each a list of corners [[east, north], …] in metres", None),
        ("circle", "{ at_m = [east, north], radius_m = 2.0 }", Some(&CIRCLE)),
        ("near", "{ anchor = 0, enter_m = 1.5, leave_m = 2.5 }", Some(&NEAR)),
        ("margin_m", NUMBER_M, None),
        ("enter_after_s", "a number of seconds, like 0.4", None),
        ("leave_after_s", "a number of seconds, like 0.4", None),
        ("max_protection_radius_m", NUMBER_M, None),
        ("allow_unchecked", "true or false", None),
        ("tags", "a list of tag ids, like [0, 3]", None),
    ],
};
const TAG: Schema = Schema {
    keys: &[("id", "the number that the tag sends, a whole one from 0", None), ("name", "text", None)],
};
const CIRCLE: Schema =
    Schema { keys: &[("at_m", "[east, north] in metres", None), ("radius_m", NUMBER_M, None)] };
const NEAR: Schema = Schema {
    keys: &[
        ("anchor", "the id of an anchor", None),
        ("enter_m", NUMBER_M, None),
        ("leave_m", NUMBER_M, None),
    ],
};
const LOG: Schema = Schema { keys: &[("path", "a file name in quotes", None)] };
const API: Schema = Schema {
    keys: &[
        ("listen", "\"127.0.0.1:6208\"", None),
        ("socket", "a file name in quotes, or false for none", None),
    ],
};
