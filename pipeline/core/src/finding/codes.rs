//! The one table of finding codes: word, severity, what it means, what to do, and the test that raises it.
//!
//! Kept in alphabetical order. A code, once released, keeps its word and meaning.

use super::Severity;

/// One row of the table.
#[derive(Debug, PartialEq, Eq)]
pub struct CodeInfo {
    /// The stable word.
    pub word: &'static str,
    /// How grave it is unless the raiser says otherwise.
    pub severity: Severity,
    /// What it means.
    pub about: &'static str,
    /// What to do about it.
    pub remedy: &'static str,
    /// The test that raises it, as `file::name`; empty where none does yet.
    pub test: &'static str,
}

/// The row of a word.
pub fn info(word: &str) -> Option<&'static CodeInfo> {
    ALL.iter().find(|c| c.word == word).copied()
}

macro_rules! codes {
    ($($name:ident = $word:literal $severity:ident $about:literal, $remedy:literal, $test:literal;)*) => {
        /// The rows as constants.
        pub mod table {
            use super::{CodeInfo, Severity};
            $(
                #[doc = $about]
                pub static $name: CodeInfo = CodeInfo {
                    word: $word, severity: Severity::$severity, about: $about, remedy: $remedy, test: $test,
                };
            )*
        }
        /// All rows, in alphabetical order of their words.
        pub static ALL: &[&CodeInfo] = &[$(&table::$name),*];
    };
}

codes! {
    AGAINST_GRAIN = "against-grain" Note
        "Curved edges of a part are cut against the grain and may tear.",
        "Look at these edges; turn the part, take a sharper cutter or a thinner allowance, or sand them.",
        "stages profile::tests::curves_against_the_grain_are_noted_once";
    BAD_ID = "bad-id" Error
        "An id has characters that file names and references cannot have.",
        "Use 1 to 80 letters, digits, points, dashes and underscores, and no point at the start.",
        "stages/plan/src/drawing/tests.rs::twelve_unrelated_mistakes_come_in_one_run";
    BAD_NUMBER = "bad-number" Error
        "A number is zero, negative, not finite or out of its range.",
        "Give a number in the range that the message names.",
        "pipeline/core/src/doc/read.rs::numbers_out_of_range_are_named_with_their_place";
    BLOCK_IGNORED = "block-ignored" Warning
        "A block inserted on an ignored layer holds contours on layers that a rule makes something of.",
        "Insert the block on another layer, or draw the contours outside it, if they are to be cut.",
        "stages/plan/src/drawing/tests.rs::an_insertion_on_an_ignored_layer_takes_its_contents_along_and_says_so";
    BOARDS_SHORT = "boards-short" Error
        "The boards of a stock run out before all parts are laid.",
        "Add boards to the stock, use larger ones, or make fewer pieces.",
        "stages/plan/src/place/tests.rs::boards_that_run_out_are_named_with_what_is_missing";
    CANNOT_READ = "cannot-read" Error
        "A file that the job names is missing or cannot be read.",
        "Put the file beside the job or correct its name.",
        "api/command/tests/command/documents.rs::documents_that_are_none_are_findings";
    CAPTURED_SIZE = "captured-size" Warning
        "A size in a layer's name differs from what is drawn; what is drawn will be cut.",
        "Correct the drawing or the layer's name.",
        "stages/plan/src/drawing/tests.rs::cutting_sheet_one_layout";
    CHAIN_ORDER = "chain-order" Error
        "The chain of stages is in an impossible order: a stage lacks what it needs.",
        "Put the stage that the message names before it, or leave `chain` out.",
        "tests/tests/whole/samples.rs::an_impossible_order_is_refused_before_anything_runs";
    CHANGES_BETWEEN = "changes-between" Warning
        "The dialect cannot say how the shop changes cutters, so each program has one cutter, which a hand puts in before it.",
        "Say `cutter-change: hand` for the machine, or choose a dialect that can say it.",
        "tests/tests/whole/hand_changes.rs::a_dialect_that_cannot_say_a_change_is_told";
    CHIP_LOAD_LOW = "chip-load-low" Warning
        "A cutter takes so little a tooth that it rubs and burns instead of cutting.",
        "Use a cutter with fewer edges, a slower spindle or a machine that feeds faster.",
        "stages/plan/src/feeds.rs::low_chip_load_is_found";
    COMPRESSION_TIP = "compression-tip" Warning
        "A compression cutter's first pass does not get its up-cut tip below the face.",
        "Allow the cutter a deeper pass (pass-depth), or take a down-cut or an up-cut.",
        "stages profile::tests::compression_cutter_starts_below_its_tip_or_says_so";
    CONTOUR_IN_NO_OUTLINE = "contour-in-no-outline" Error
        "A contour to be cut lies in no part's outline.",
        "Draw the part's outline round it, or move it to a layer that is ignored.",
        "stages/plan/src/drawing/tests.rs::islands_strays_and_parts_in_cutouts";
    CONTOUR_OPEN = "contour-open" Error
        "A contour that must enclose an area does not.",
        "Close the gap in the drawing, or give the drawing a larger `join` distance.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    CONTOUR_SELF_CROSSING = "contour-self-crossing" Error
        "A contour crosses itself, so its inside is not defined.",
        "Correct the drawing at the place named.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    CUP_BEYOND_LIMIT = "cup-beyond-limit" Error
        "The boards of a stock are cupped more than the limit; depths would not come true.",
        "Flatten the board or take another, or raise the limit if the holding pulls it flat.",
        "stages/plan/src/fit.rs::stocks_that_cannot_be_used";
    CUTTER_TOO_LARGE = "cutter-too-large" Error
        "The cutter does not fit the feature.",
        "Give a smaller cutter, widen the feature, or let it be cut by hand with if-unreachable.",
        "tests/tests/whole/cutting_sheet.rs::a_slot_narrower_than_the_cutter_is_refused_with_its_place";
    CUTTER_TOO_SHORT = "cutter-too-short" Error
        "The cutter's cutting or usable length is less than the depth asked of it.",
        "Take a longer cutter or a lesser depth.",
        "api/command/tests/command/refused.rs::features_that_cannot_be";
    CUTTER_UNFIT = "cutter-unfit" Error
        "The cutter is of a kind that cannot make the feature.",
        "Name a cutter of another kind, or leave the choice to the stage.",
        "stages profile::tests::only_flat_cutters_cut_walls";
    CUTTER_WIDER = "cutter-wider" Note
        "A pocket at the part's edge is narrower than its cutter, which clears it by overhanging the edge.",
        "Nothing, if the waste beside the edge may go; otherwise give a cutter no wider than the pocket.",
        "tests/tests/whole/cutting_sheet.rs::a_cutter_wider_than_the_slots_is_refused_with_their_places";
    DEEP_DOWN_CUT = "deep-down-cut" Warning
        "A down-cut cutter packs its chips in a deep recess.",
        "Use an up-cut or straight cutter for it.",
        "stages/plan/src/clearing_tests.rs::down_cut_in_a_deep_mortise_is_warned_of";
    DEPTH_BEYOND_STOCK = "depth-beyond-stock" Error
        "A depth is greater than the thickness of the wood.",
        "Correct the depth, or write \"through\" if it is to go through.",
        "stages/plan/src/fit.rs::places_and_depths_that_cannot_be";
    DOCUMENT_INVALID = "document-invalid" Error
        "The document does not follow its schema.",
        "Correct the place that the pointer names; `grainway schema` prints the schema.",
        "api/command/tests/command/documents.rs::an_unknown_key_offers_the_nearest";
    DOUBLE_DROPPED = "double-dropped" Note
        "Lines that lie over others were dropped.",
        "Nothing; remove them from the drawing if they are not meant.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    DRAWING_DAMAGED = "drawing-damaged" Error
        "A drawing is cut off, damaged, or not what its name says.",
        "Export the drawing again.",
        "stages/plan/src/drawing/tests.rs::twelve_unrelated_mistakes_come_in_one_run";
    DRAWING_UNIT = "drawing-unit" Error
        "The unit of a drawing is not known, or the job says another than the drawing.",
        "Set the unit in the drawing, or give the drawing its `unit` in the job.",
        "stages/plan/src/drawing/tests.rs::units_and_empty_drawings_are_refused";
    DRILL_FAST = "drill-fast" Warning
        "The spindle cannot turn as slowly as the drill should.",
        "Drill the hole by hand or with an end mill, or use a drill made for the spindle's speed.",
        "stages/plan/src/feeds.rs::drills_turn_at_drill_speed";
    DUPLICATE_ID = "duplicate-id" Error
        "Two things have one id.",
        "Rename one of them.",
        "stages/plan/src/drawing/tests.rs::twelve_unrelated_mistakes_come_in_one_run";
    EDGE_BREAKS_OUT = "edge-breaks-out" Warning
        "A recess leaves a finished edge of a dimensioned blank across the grain, where nothing backs the wood.",
        "Clamp a straight piece of waste tightly against that edge, or score the edge with a knife along the recess first.",
        "tests/tests/cases/clearing.rs::a_housing_over_finished_edges_is_slow_there_and_asks_for_backing";
    ENGRAVING_OVERRUN = "engraving-overrun" Warning
        "An engraved line runs over the part's edge.",
        "Move or shorten the line, or take a finer cutter.",
        "stages mark::tests::lines_over_the_edge_are_told_of";
    ENGRAVING_SHALLOW = "engraving-shallow" Warning
        "An engraved line is so shallow that it may miss the thinnest wood.",
        "Engrave deeper, or set zero on top of the wood.",
        "stages mark::tests::shallow_lines_on_uneven_wood_are_told_of";
    ENTITY_NOT_READ = "entity-not-read" Warning
        "Something on a layer that is to be cut cannot be cut and was left out.",
        "Redraw it as lines, arcs or polylines, or move it to a layer that is ignored.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    FEATURE_OUTSIDE_PART = "feature-outside-part" Error
        "A feature lies outside its part.",
        "Move the feature or correct the part's outline.",
        "stages/plan/src/fit.rs::places_and_depths_that_cannot_be";
    FILLET_STAYS = "fillet-stays" Note
        "The corners of a mortise keep the cutter's fillet.",
        "Round the tenon's arrises to the cutter's radius, allow relief, or square the corners by hand.",
        "stages/plan/src/clearing_tests.rs::fillets_that_stay_in_a_mortise_are_said";
    FIT_LOOSE = "fit-loose" Note
        "The wood of a joint's mate differs so much in thickness that its thinnest piece is loose.",
        "Plane the pieces to one thickness, give the thin ones a stock of their own, or choose a looser fit.",
        "tests/tests/whole/joints/fits.rs::wood_of_unequal_thickness_is_told";
    FLOOR_THIN = "floor-thin" Warning
        "Little wood is left under a feature.",
        "Lessen the depth, or lower the limit if it is meant.",
        "stages/plan/src/fit.rs::thin_walls_and_floors_are_warnings";
    HELD_ACROSS = "held-across" Warning
        "A joint holds a part across its grain, and the part will move more over the year than the joint can bear.",
        "Divide it into narrower tenons, fasten its middle only and leave room at its ends, or raise `most-movement` if it is meant.",
        "tests/tests/whole/joints/fits.rs::a_wide_part_held_across_its_grain_is_told";
    HELD_OTHERWISE = "held-otherwise" Warning
        "The job says that the wood is held by something that the program knows nothing of.",
        "Make sure that the board and every piece stay where they are until the last cut.",
        "stages/plan/src/hold/tests.rs::other_holds_are_vouched_for_by_the_person";
    HOLD_CORNER_OPEN = "hold-corner-open" Warning
        "No hold-down screw finds room at a corner of the board.",
        "Add a clamp by hand there where nothing is cut, or enlarge the place stage's side-margin.",
        "stages/plan/src/hold/tests.rs::an_open_corner_is_a_warning_with_its_distance";
    HOLD_GAP = "hold-gap" Warning
        "Screws along an edge of the board stand farther apart than wanted.",
        "Enlarge the place stage's side-margin, or add a clamp by hand where nothing is cut.",
        "stages/plan/src/hold/tests.rs::gaps_between_screws_are_named";
    HOLE_NOT_ROUND = "hole-not-round" Error
        "A contour that should be a hole is not a circle.",
        "Draw a circle, or let the rule make a cutout.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    INTERNAL = "internal" Error
        "Something in grainway itself failed; the job was stopped and nothing was released.",
        "Keep the job's files and report the failure.",
        "";
    INTO_SPOILBOARD = "into-spoilboard" Error
        "A through cut goes deeper into the spoilboard than allowed.",
        "Lessen `into-spoilboard` of the fit stage, measure the wood again, or use a thicker spoilboard.",
        "stages/plan/src/fit.rs::stocks_that_cannot_be_used";
    JOINTS_APART = "joints-apart" Warning
        "Put together as the joints say, a joint finds no mate, or equal pieces stand opposite ways up.",
        "Compare lengths and places of the parts; where two pieces must be each other's mirror image, make one of them with `mirrored`.",
        "tests/tests/whole/joints/together.rs::a_rail_that_is_too_long_is_told";
    JOINTS_BLOCKED = "joints-blocked" Warning
        "In the order in which the pieces are put together, one of them has to come past another with which it has no joint, and no better order was found.",
        "Leave more room before it, make the tenon shorter, or let one of the two go in from another side; see to the order in the dry run.",
        "stages/check/src/furniture/order.rs::a_piece_that_has_to_come_past_another_is_told";
    JOINTS_LOCKED = "joints-locked" Warning
        "Pieces hold each other, so that none of them can be put in last.",
        "Turn one of the joints the other way, leave one of its sides open, or assemble that joint with a loose tenon.",
        "stages/check/src/furniture/order.rs::pieces_that_hold_each_other_are_told";
    KERF_WIDENED = "kerf-widened" Note
        "A deep kerf that no finishing loop widens is widened by a loop of its own.",
        "Nothing; with a `finish-allowance` of the profile stage, the finishing loop widens it.",
        "stages/plan/src/profile/tests.rs::a_deep_kerf_gets_room_once_and_only_where_no_finishing_loop_gives_it";
    KERNEL_FALLBACK = "kernel-fallback" Note
        "The exact offset of a shape failed its checks; the polygon kernel's was taken instead.",
        "Nothing; the result was checked. Small pieces of the shape may be worth cleaning in the drawing.",
        "";
    LAYER_UNMATCHED = "layer-unmatched" Warning
        "A layer that holds something matches no rule; what it holds was left out. An error when closed contours are among it.",
        "Give the drawing a rule for the layer, if only to ignore it.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    LEAVE_OUT_MISSES = "leave-out-misses" Error
        "The job leaves out a contour of a drawing that is not where it says.",
        "Correct the layer or the place in leave-out.",
        "stages/plan/src/drawing/tests.rs::a_window_and_what_is_left_out";
    LEFT_TO_CONTROLLER = "left-to-controller" Warning
        "The dialect leaves something to the controller that no text says: lengths that the cutter change calls, corners that are rounded.",
        "Set at the controller what the message names.",
        "tests/tests/whole/samples.rs::what_is_left_to_the_controller_is_told";
    LINE_TRIMMED = "line-trimmed" Note
        "A line of a drawing runs beyond the edges of parts; only its stretches on parts are cut.",
        "Nothing, when it was drawn past the edge on purpose.",
        "tests/tests/cases/documents.rs::a_line_drawn_past_the_edge_is_cut_where_the_part_is";
    LINES_NEED_CUTTER = "lines-need-cutter" Note
        "No cutter of the shop cuts locating lines; stops were planned.",
        "Nothing; or give the shop an end mill that cuts over its centre.",
        "stages/plan/src/place/tests.rs::locating_lines_need_a_cutter_that_plunges";
    LOBES_MEET = "lobes-meet" Note
        "Two relief lobes of one feature run into each other.",
        "Lengthen the mortise by the cutter's radius under the shoulders instead, and write relief none.",
        "stages/plan/src/clearing_tests.rs::lobes_of_a_narrow_mortise_meet";
    MOISTURE_UNLIKE_PLACE = "moisture-unlike-place" Warning
        "Wood is machined at a moisture that it will not keep where the piece of furniture will stand: parts and joints will change their sizes.",
        "Let the wood rest in the place, or in one like it, and measure again; or give joints that must slide a looser fit, and wide parts room.",
        "tests/tests/whole/joints/cleats.rs::wood_that_is_too_damp_is_told_with_what_it_will_shrink";
    NIGHT_DIFFERS = "night-differs" Error
        "A job says something of the whole chain that the night does not say, and one chain serves the whole night.",
        "Say it in the night, or make the job alone.",
        "api/command/tests/command/nights.rs::what_jobs_say_of_the_whole_chain_is_said_by_the_night";
    NIGHT_JOB_CHANGED = "night-job-changed" Error
        "The file of a job is not the one whose sum the night gives.",
        "Look at what changed in the file; then write its new sum into the night, or leave the sum out.",
        "api/command/tests/command/nights.rs::a_job_that_is_another_one_now_is_refused";
    NIGHT_SETTING = "night-setting" Note
        "A job sets something otherwise than the night, and the night's setting holds.",
        "Nothing, if the night's setting is meant; otherwise make the job alone.",
        "api/command/tests/command/nights.rs::what_jobs_say_of_the_whole_chain_is_said_by_the_night";
    NO_DRILL = "no-drill" Note
        "No drill of a hole's diameter is at hand, so it is milled.",
        "Nothing; add a drill to the shop if the hole is to be drilled.",
        "stages/plan/src/clearing_tests.rs::hole_of_8_with_a_6_mm_cutter_is_a_slow_helix";
    NO_PROGRAM = "no-program" Error
        "The chain ended without a program.",
        "Give the job parts to cut, and leave `chain` out unless it ends with post, verify and report.",
        "stages/chain/src/report/release.rs::a_job_without_programs_is_refused";
    NO_ROOM_FOR_FIRST_HOLD = "no-room-for-first-hold" Error
        "Nothing finds room to hold the wood before the first cut.",
        "Enlarge the margin or the board, use smaller screws or clamps, or move the features.",
        "stages/plan/src/hold/tests.rs::a_narrow_margin_is_named_with_what_it_needs";
    NO_ROOM_FOR_STOPS = "no-room-for-stops" Error
        "A blank finds no room for its stops, or a piece on its end none for its uprights and its clamp.",
        "Turn the blank, set `locate` to lines, or use smaller stops.",
        "stages/plan/src/place/tests.rs::stops_without_room_are_named";
    NO_ROOM_FOR_TABS = "no-room-for-tabs" Note
        "Some pieces have no room for tabs; another hold was taken for them.",
        "Look at the hold that the message names; or place the parts farther apart.",
        "stages/plan/src/hold/tests.rs::a_piece_without_room_for_tabs_gets_a_floor_or_is_refused";
    NO_TAB_PLACE = "no-tab-place" Warning
        "No edge of a piece is long and plain enough to hold a tab.",
        "Hold the piece by screws or a skin.",
        "stages profile::tests::small_parts_say_what_their_tabs_lack";
    NOT_HELD = "not-held" Error
        "A piece would come loose under the cutter.",
        "Place it farther from its neighbours, put Z zero on the bed, or say `screws-through` for its part.",
        "stages/plan/src/hold/tests.rs::a_piece_without_room_for_tabs_gets_a_floor_or_is_refused";
    NOT_VERIFIED = "not-verified" Error
        "A program did not pass its checks, or nothing checked it.",
        "Act on the other findings; put verify after every stage that changes programs.",
        "stages/chain/src/report/release.rs::one_bad_program_withholds_all";
    NOTHING_TO_MAKE = "nothing-to-make" Error
        "A job or a drawing gives no part.",
        "Check the layer rules, and that outlines are closed.",
        "stages/plan/src/drawing/tests.rs::units_and_empty_drawings_are_refused";
    OUTLINES_OVERLAP = "outlines-overlap" Error
        "Two parts of a drawing overlap.",
        "Move one of them; a part may lie in another one only inside a cutout.",
        "stages/plan/src/drawing/tests.rs::faults_of_drawing_are_named_with_layer_and_place";
    PART_TOO_LARGE = "part-too-large" Error
        "A part does not fit the board or the machine's travel.",
        "Use a larger board or machine, or divide the part.",
        "stages/plan/src/place/tests.rs::the_grain_runs_along_x";
    PARTS_TOO_CLOSE = "parts-too-close" Error
        "Two parts lie nearer than the cutter's diameter, or one in the other.",
        "Move them apart in the drawing, or use a thinner cutter.",
        "stages/plan/src/place/tests.rs::drawn_parts_too_near_or_off_the_board_are_named";
    PILOT_BY_HAND = "pilot-by-hand" Warning
        "No cutter drills the pilots of hold-down screws; their places are marked only.",
        "Add a drill of the pilots' diameter to the shop, or drill them by hand in the pause.",
        "stages/plan/src/hold/tests.rs::places_are_marked_where_no_cutter_drills_pilots";
    PLACE_TAKEN = "place-taken" Error
        "A part cannot lie where the job places it.",
        "Choose another place or board for it, or leave its place out.",
        "tests/tests/whole/layouts.rs::a_chosen_place_that_cannot_be_is_told";
    PLUGIN_CRASHED = "plugin-crashed" Error
        "The process that held the job with its plugin crashed.",
        "Go back to the plugin's former version (plugins rollback), or report the failure to its author.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PLUGIN_DAMAGED = "plugin-damaged" Error
        "A plugin's file is missing, was changed after it was added, or cannot be loaded.",
        "Add the plugin again with plugins add.",
        "api/command/tests/command/plugins.rs::a_changed_plugin_is_never_used";
    PLUGIN_MEMORY = "plugin-memory" Error
        "The process that held the job with its plugin wanted more memory than allowed.",
        "Divide the job, raise memory-mib in limits.json of the plugin folder, or report it to the plugin's author.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PLUGIN_OFF = "plugin-off" Error
        "A plugin that killed too many jobs is switched off.",
        "Add a better version with plugins add, go back with plugins rollback, or switch it on with plugins enable.",
        "api/command/tests/command/plugins.rs::three_killed_jobs_switch_a_plugin_off";
    PLUGIN_PANICKED = "plugin-panicked" Error
        "A plugin failed inside and said so.",
        "Go back to the plugin's former version (plugins rollback), or report the failure to its author.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PLUGIN_PROTOCOL = "plugin-protocol" Error
        "The process that held the job with its plugin did not keep to the protocol, or could not.",
        "Go back to the plugin's former version (plugins rollback), or report the failure to its author.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PLUGIN_REFUSED = "plugin-refused" Error
        "A plugin refused what it was given.",
        "Correct what its message names.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PLUGIN_TIMED_OUT = "plugin-timed-out" Error
        "The process that held the job with its plugin took longer than allowed.",
        "Divide the job, raise the limits in limits.json of the plugin folder, or report it to the plugin's author.",
        "api/command/tests/command/plugins.rs::every_misbehaviour_ends_in_its_own_finding";
    PROGRAM_NOT_WRITTEN = "program-not-written" Error
        "The machine's dialect cannot say something that the plan needs, so a program was not written.",
        "Do what the message proposes, or choose another dialect for the machine.",
        "stages/plan/src/post.rs::a_dialect_that_cannot_pause_is_a_finding";
    READING_UNLIKE_SHOP = "reading-unlike-shop" Error
        "A job's thickness reading differs by more than 8 % from the shop's readings of the same stock.",
        "Measure again. If the reading is right, write it as { \"thickness\": 25, \"confirmed\": true }.",
        "tests/tests/cases/documents.rs::a_reading_unlike_the_shops_asks";
    READINGS_APART = "readings-apart" Error
        "Two thickness readings of a stock lie more than 1.5 mm apart.",
        "Measure again. If both are right, write them as { \"thickness\": 18, \"confirmed\": true }, or part the boards into two stocks.",
        "tests/tests/cases/documents.rs::readings_far_apart_ask";
    RECESSES_MEET = "recesses-meet" Warning
        "Recesses of two sides run into one another inside the wood.",
        "See that it is meant, as where two tenons meet in a leg; otherwise lessen a depth or move one of them.",
        "tests/tests/whole/turned.rs::a_leg_has_mortises_in_two_sides_and_in_four";
    RELIEF_BREAKS_OUT = "relief-breaks-out" Warning
        "A relief lobe breaks through the part's edge or into another feature.",
        "Move the feature, take a smaller cutter, send the lobe the other way, or square the corner by hand.",
        "stages/plan/src/clearing_tests.rs::lobe_that_breaks_out_is_found";
    SCREW_IN_THE_WAY = "screw-in-the-way" Error
        "A screw that the job places lies too near to a cut.",
        "Move the screw, or leave its place to be computed.",
        "stages/plan/src/hold/tests.rs::screws_that_the_job_places_are_checked";
    SET_AT_CONTROLLER = "set-at-controller" Warning
        "A program of a language that knows only up and down: its heights, and what the text cannot switch, are set at the controller.",
        "Set what the message names before the program starts, and try both heights above the wood.",
        "tests/tests/whole/pen.rs::a_thin_template_is_ready_in_both_units";
    SKIN_ON_TOP = "skin-on-top" Error
        "A thin floor under outlines was asked for with Z zero on top of the wood.",
        "Put Z zero on the bed, or leave `skin` out.",
        "stages/plan/src/hold/tests.rs::a_skin_needs_zero_on_the_bed";
    SPINDLE_TOO_FAST = "spindle-too-fast" Error
        "The spindle's least speed is above the largest speed marked on the cutter.",
        "Take another cutter; a cutter run above its marked speed can burst.",
        "stages/plan/src/feeds.rs::spindle_faster_than_the_cutter_may_is_an_error";
    SPOILBOARD_THIN = "spoilboard-thin" Error
        "Something would go too deep into the spoilboard.",
        "Use a thicker spoilboard or lessen the depth in the settings.",
        "stages/plan/src/hold/tests.rs::pilots_leave_the_spoilboard_whole";
    TAB_NEAR_CORNER = "tab-near-corner" Note
        "A piece is too small for tabs at the wanted distance from corners.",
        "Look where the tabs sit on the sheet; hold the piece otherwise if they are in the way.",
        "stages profile::tests::small_parts_say_what_their_tabs_lack";
    TABS_WEAK = "tabs-weak" Warning
        "A piece has fewer tabs than wanted.",
        "Place the parts farther apart, or leave a skin.",
        "";
    TENON_UNMATED = "tenon-unmated" Warning
        "A described tenon goes into no mortise of the job.",
        "Name the two as a joint, which sizes the mortise by the wood as it is measured; or correct one of the sizes.",
        "tests/tests/cases/documents.rs::a_tenon_and_a_mortise_that_cannot_mate_are_told";
    TENON_WEAKENED = "tenon-weakened" Warning
        "Relief lobes at the shoulders take much of a tenon's bending section.",
        "Use dog-bones, or leave the fillet and ease the mortise's mouth by the cutter's radius under the shoulder.",
        "stages/plan/src/clearing_tests.rs::tenon_losses_of_practice";
    TENONS_MEET = "tenons-meet" Warning
        "Two tenons meet inside a part: put together as they are, one of them keeps the other out.",
        "Make one of them shorter by what the message says, mitre both by hand where they meet, or move one of them along the part.",
        "tests/tests/whole/joints/kinds.rs::tenons_that_meet_inside_a_leg_are_told";
    UNKNOWN_NAME = "unknown-name" Error
        "A name is used that nothing defines: a stock, a cutter, a machine, a wood, a dialect, a stage.",
        "Correct the name; the message offers the nearest known one.",
        "api/command/tests/command/documents.rs::twelve_unrelated_mistakes_are_named_in_one_run";
    UNREACHABLE = "unreachable" Error
        "The given cutters clear nothing of a feature, or leave more of it than its `leave`.",
        "Give a smaller cutter, allow relief, or write if-unreachable: hand to list it as hand work.",
        "tests/tests/whole/cutting_sheet.rs::a_cutter_wider_than_the_slots_is_refused_with_their_places";
    UNUSED_LENGTH = "unused-length" Warning
        "A named length of the job on which nothing counts.",
        "Count on it where it is meant, or take it out.",
        "api/command/tests/command/lengths.rs::a_named_length_on_which_nothing_counts_is_a_warning";
    UNVERIFIED_ACCEPTED = "unverified-accepted" Warning
        "A program cannot be read back and the shop accepts that in writing.",
        "Prove it at the machine above the work before the first cut.",
        "stages/chain/src/report/release.rs::what_the_shop_accepts_in_writing_goes_beside";
    VERIFY_AS_PLANNED = "verify-as-planned" Error
        "The motions, waits, pauses or messages read back from the text are not the planned ones, or programs run in another order.",
        "Do not run it. If the text was edited on purpose, verify it with --edited; otherwise report the failure.",
        "stages/check/src/planned.rs::text_is_walked_along_the_plan";
    VERIFY_BLOCK_RATE = "verify-block-rate" Warning
        "Moves follow each other faster than the controller reads blocks.",
        "Lower the feed there or use a dialect with arcs.",
        "stages/check/src/tests.rs::limits_and_loads_are_caught";
    VERIFY_CHIP_LOAD = "verify-chip-load" Warning
        "A cutter takes so little a tooth that it rubs, or so much that it tears.",
        "Correct feed or speed; the sheet says which figures were computed and from what.",
        "stages/check/src/tests.rs::limits_and_loads_are_caught";
    VERIFY_EXTREMES = "verify-extremes" Error
        "With the wood's thinnest or thickest reading, or a small error of the zero or the cutter, something does not come out.",
        "Measure again and set the zero with care, or give the tab, the skin or the spoilboard more room.",
        "stages/check/src/tests.rs::limits_and_loads_are_caught";
    VERIFY_GOUGE = "verify-gouge" Error
        "The program cuts wood that must stand.",
        "Do not run it. Report the failure if the text was not edited.",
        "stages/check/src/tests.rs::a_move_a_tenth_off_is_caught";
    VERIFY_HOLD = "verify-hold" Error
        "The cutter comes too near to a screw, a clamp or a stop, or a screw is not driven when it is needed.",
        "Do not run it. Move the hold, or give another way to hold.",
        "stages/check/src/tests.rs::a_rapid_below_a_screw_head_is_caught";
    VERIFY_JOINT = "verify-joint" Error
        "Put together from what the programs cut, a joint does not close.",
        "Ease the edges of one of the parts, widen the shoulder, or take a thinner cutter; the message says what is in the way.",
        "tests/tests/whole/joints/planted.rs::a_tenon_that_stops_short_is_told";
    VERIFY_LEFTOVER = "verify-leftover" Error
        "The program leaves wood that is to go.",
        "Do not run it. Report the failure if the text was not edited.",
        "stages/check/src/tests.rs::a_pass_dropped_is_caught";
    VERIFY_LIMIT = "verify-limit" Error
        "A feed or speed is beyond what the machine or the cutter may do.",
        "Correct the machine or the cutter in the shop document, or the feeds that override the computed ones.",
        "stages/check/src/tests.rs::illegal_texts_are_caught";
    VERIFY_LOAD = "verify-load" Error
        "A cut asks more of the cutter than it can do: too deep a pass, more than its cutting length, a plunge without a cutting centre, a hole whose chips are not cleared.",
        "Take a longer or stronger cutter or a lesser depth of pass.",
        "stages/check/src/tests.rs::limits_and_loads_are_caught";
    VERIFY_LOOSE = "verify-loose" Error
        "A piece of wood comes free while the cutter runs.",
        "Do not run it. Give tabs, screws or a skin, or let the waste be cut to chips.",
        "stages/check/src/tests.rs::a_tab_cut_is_caught";
    VERIFY_PAUSE = "verify-pause" Error
        "A pause is missing or says something else, or the machine is not raised and its spindle not stopped in it.",
        "Do not run it. Report the failure if the text was not edited.",
        "stages/check/src/tests.rs::a_deleted_pause_is_caught";
    VERIFY_PIECES = "verify-pieces" Error
        "The programs do not make every piece exactly once, or use boards that the documents do not have.",
        "Do not run them. Run the job again, without third-party stages; report the failure if it comes back.",
        "tests/tests/whole/claims.rs::pieces_are_counted_from_the_documents";
    VERIFY_RAPID = "verify-rapid" Error
        "A rapid move runs through wood, a screw or a clamp, or too near to one.",
        "Do not run it. Report the failure if the text was not edited.",
        "stages/check/src/tests.rs::a_rapid_through_wood_is_caught";
    VERIFY_RELIEF = "verify-relief" Error
        "A corner's relief is not where its formula puts it.",
        "Do not run it. Report the failure.",
        "stages/check/src/tests.rs::corners_are_computed_anew";
    VERIFY_SEAL = "verify-seal" Error
        "Something was changed after the programs were verified.",
        "Run the job again, with `verify` behind every stage that changes programs, boards or parts.",
        "tests/tests/whole/claims.rs::what_changes_after_verify_is_not_released";
    VERIFY_SLENDER = "verify-slender" Warning
        "A piece is long for its width and whips under the cutter where nothing holds its middle.",
        "Cut it from a wider piece, give it tabs closer together, or saw it after the other cuts.",
        "stages/check/src/tests/holding_limits.rs::a_slender_strip_is_named";
    VERIFY_SPINDLE = "verify-spindle" Error
        "The spindle stands, turns the wrong way, turns when it must stand, is not waited for, or turns in one place of the wood.",
        "Do not run it. Report the failure if the text was not edited.",
        "stages/check/src/tests.rs::illegal_texts_are_caught";
    VERIFY_SPOILBOARD = "verify-spoilboard" Error
        "A cut goes deeper into the spoilboard than it may.",
        "Do not run it. Correct the thickness or the depth, or lay a thicker spoilboard.",
        "stages/check/src/tests.rs::an_outline_deeper_or_shallower_is_caught";
    VERIFY_TEXT = "verify-text" Error
        "The text is not legal in its dialect.",
        "Do not run it. Correct the line if the text was edited; report the failure otherwise.",
        "stages/check/src/tests.rs::illegal_texts_are_caught";
    VERIFY_TRAVEL = "verify-travel" Error
        "The program leaves the machine's travel.",
        "Use a larger machine, or turn or divide the part.",
        "stages/check/src/tests.rs::limits_and_loads_are_caught";
    VERIFY_UNIT = "verify-unit" Error
        "The text is in the wrong unit.",
        "Do not run it. Give the machine's program-unit in the shop document.",
        "stages/check/src/tests.rs::the_wrong_unit_is_caught";
    VERIFY_UNKNOWN_POSITION = "verify-unknown-position" Error
        "The program moves while a position is not known.",
        "Do not run it. After a start, a pause and a cutter change raise Z first.",
        "stages/check/src/tests.rs::illegal_texts_are_caught";
    VERIFY_UNVERIFIED = "verify-unverified" Error
        "The dialect cannot be read back, so the programs were not checked.",
        "Prove every program at the machine and accept the dialect in the shop's accept-unverified, or use a dialect with a reader.",
        "stages/check/src/tests.rs::without_a_reader_nothing_is_verified";
    VERIFY_WANTED = "verify-wanted" Error
        "The plan has something else than the documents ask for.",
        "Do not run it. Run the job again, without third-party stages; report the failure if it comes back.",
        "tests/tests/whole/claims.rs::a_plan_that_is_not_what_the_documents_ask_for_is_caught";
    VERIFY_WRONG_CUTTER = "verify-wrong-cutter" Error
        "The text calls another cutter than the work is for.",
        "Do not run it. Correct the numbers of the cutters in the shop document.",
        "stages/check/src/tests.rs::the_wrong_cutter_is_caught";
    WALL_THIN = "wall-thin" Warning
        "The wood left between two cuts, or between a cut and the edge, is thin.",
        "Move them apart, or lower `least-wall` if it is meant.",
        "stages/plan/src/fit.rs::thin_walls_and_floors_are_warnings";
    WASTE_OTHERWISE = "waste-otherwise" Warning
        "The waste of an opening cannot be held as asked.",
        "Enlarge the opening, use smaller screws, or say `chips`.",
        "stages/plan/src/hold/tests.rs::waste_that_cannot_be_held_as_asked_becomes_chips";
    WASTE_SLIVER = "waste-sliver" Warning
        "A strip of waste between two kerfs is too narrow to hold anything.",
        "Place the parts farther apart or so near that their kerfs meet.",
        "stages/plan/src/hold/tests.rs::strips_too_narrow_to_hold_are_named";
    WASTE_TO_CHIPS = "waste-to-chips" Note
        "The waste of an opening is too small to be held; it is cut to chips.",
        "Nothing.",
        "stages/plan/src/hold/tests.rs::waste_is_held_by_its_size";
    WINDOW_CROSSED = "window-crossed" Warning
        "Contours of a drawing reach over the edge of its window; they were left out.",
        "Enlarge the window, or make it smaller where they belong to something else.",
        "stages/plan/src/drawing/tests.rs::a_window_and_what_is_left_out";
}

#[cfg(test)]
mod tests {
    use super::ALL;

    #[test]
    fn table_is_sorted_and_complete() {
        for pair in ALL.windows(2) {
            assert!(
                pair[0].word < pair[1].word,
                "{} stands before {}",
                pair[0].word,
                pair[1].word
            );
        }
        for c in ALL {
            assert!(
                !c.about.is_empty() && !c.remedy.is_empty(),
                "{} lacks a text",
                c.word
            );
        }
    }
}
