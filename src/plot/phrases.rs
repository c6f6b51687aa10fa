//! The words of figures: English built in, any of them replaceable.

use std::collections::BTreeMap;

use crate::both_ways::{EventKind, Verdict};
use crate::report::fixed_texts::{filled, fixed_texts};
use crate::report::plain_text;

fixed_texts! {
    /// A text of a figure. One whose key does not begin with `figure_` is a text of the
    /// pack too, and says the same in both.
    Phrase;
    Pass = "pass": "pass",
    Fail = "fail": "fail",
    Undecided = "undecided": "undecided",
    NotMeasured = "not_measured": "not measured",
    NotStated = "not_stated": "not stated",
    KindConnector = "kind_connector": "connector",
    KindSplice = "kind_splice": "splice",
    KindGroup = "kind_group": "group",
    KindEcho = "kind_echo": "echo",
    KindBreak = "kind_break": "break",
    KindEnd = "kind_end": "end",
    Reflective = "reflective": "reflective",
    NoReflection = "no_reflection": "no reflection",
    LaunchCord = "figure_launch_cord": "launch cord",
    TailCord = "figure_tail_cord": "tail cord",
    Bend = "figure_bend": "bend?",
    Title = "figure_title": "{wavelength} nm, fibre {fibre}, cable {cable}, measured from both ends",
    NotNamed = "figure_not_named": "not named",
    Length = "figure_length": "length {length} {unit}",
    LengthUnknown = "figure_length_unknown": "length not known",
    LinkLoss = "figure_link_loss": "two-way loss {loss} dB",
    LinkLossMissing = "figure_link_loss_missing": "loss of the link not measured",
    Attenuation = "figure_attenuation": "fibre {attenuation} dB/km",
    Interrupted = "figure_interrupted": "The fibre is interrupted {places}",
    PlaceFromEnd = "figure_place_from_end": "{place} {unit} from {end}",
    NoJoint = "figure_no_joint": "No joint was found",
    NoLoss = "figure_no_loss": "No two-way loss was measured at any joint",
    Largest = "figure_largest": "Largest two-way loss {joints}",
    AmongSplices = "figure_among_splices": "among splices: {kind} {number}, {loss} dB",
    AmongConnectors = "figure_among_connectors": "among connectors: {kind} {number}, {loss} dB",
    SameAs = "figure_same_as": "within its error the same as {number}",
    BelowZero = "figure_below_zero": "Below 0 even two-way, so doubtful: {joints}.",
    Misread = "figure_misread": "The fibres scatter differently, so joints read {how}. Two-way it cancels.",
    MisreadOr = "figure_misread_or": "{one} or {other}",
    AsGains = "figure_as_gains": "as gains that are none ({joints})",
    AsBad = "figure_as_bad": "as bad that are not ({joints})",
    JointsFrom = "figure_joints_from": "from {end}: {joints}",
    CountOfJoints = "figure_count_of_joints": "{count} joints",
    Pulse = "figure_pulse": "pulse {value}",
    GroupIndex = "figure_group_index": "group index {value}",
    Spacing = "figure_spacing": "sample spacing {value}",
    Averaging = "figure_averaging": "averaging {value}",
    CountedFrom = "figure_counted_from": "places counted from A's first connector",
    RemarkBreak = "figure_remark_break": "the fibre is interrupted",
    RemarkLargest = "figure_remark_largest": "largest two-way loss of a {kind}",
    RemarkLargestShorter = "figure_remark_largest_shorter": "largest loss of a {kind}",
    RemarkLargestShort = "figure_remark_largest_short": "largest",
    RemarkBelowZero = "figure_remark_below_zero": "below 0 both ways: doubtful",
    RemarkBelowZeroShorter = "figure_remark_below_zero_shorter": "doubtful gain",
    RemarkBelowZeroShort = "figure_remark_below_zero_short": "doubtful",
    RemarkBoth = "figure_remark_both": "gain from {gain}, bad from {bad}: backscatter difference only",
    RemarkBothShorter = "figure_remark_both_shorter": "gain from {gain}, bad from {bad}: neither",
    RemarkGain = "figure_remark_gain": "gain from {gain} only: backscatter difference",
    RemarkGainShorter = "figure_remark_gain_shorter": "gain from {gain} only: none",
    RemarkGainShort = "figure_remark_gain_short": "not a gain",
    RemarkBad = "figure_remark_bad": "bad from {bad} only: backscatter difference",
    RemarkBadShorter = "figure_remark_bad_shorter": "bad from {bad} only",
    RemarkBadShort = "figure_remark_bad_short": "not bad",
    LossAxis = "figure_loss_axis": "loss at the joint, dB",
    LossAxisShort = "figure_loss_axis_short": "loss, dB",
    TwoWayValues = "figure_two_way_values": "two-way, dB",
    RowKind = "figure_row_kind": "what it is",
    RowPlace = "figure_row_place": "at {unit}",
    RowNumber = "figure_row_number": "number",
    RowVerdict = "figure_row_verdict": "verdict",
    KeyFromA = "figure_key_from_a": "reading of the trace taken from A",
    KeyFromAShort = "figure_key_from_a_short": "read from A",
    KeyFromB = "figure_key_from_b": "reading of the trace taken from B",
    KeyFromBShort = "figure_key_from_b_short": "read from B",
    KeyTwoWay = "figure_key_two_way": "two-way loss: the mean of both, with its standard error",
    KeyTwoWayShort = "figure_key_two_way_short": "two-way: the mean of both",
    NumbersLeftOut = "figure_numbers_left_out": "numbers left out: see the table",
    Reference = "figure_reference": "{loss} dB for splices: common contract value, no verdict",
    ShortDashes = "figure_short_dashes": "short dashes: limit",
    ReadsAsGain = "figure_reads_as_gain": "below 0: reads as gain",
    TakenFromA = "figure_taken_from_a": "taken from A",
    TakenFromB = "figure_taken_from_b": "taken from B",
    TwoWayProfile = "figure_two_way_profile": "two-way profile drawn {drop} dB lower",
    OwnStartAxis = "figure_own_start_axis": "level from own start, dB",
    LevelAxis = "figure_level_axis": "level, dB",
    NoLevels = "figure_no_levels": "no levels to draw",
    BNotLaid = "figure_b_not_laid": "the trace taken from B cannot be laid on A's axis",
    BNotOnAxis = "figure_b_not_on_axis": "the trace taken from B is not on this axis",
    BackscatterProfile = "figure_backscatter_profile": "backscatter profile: half the sum of A and B",
    BackscatterAxis = "figure_backscatter_axis": "backscatter, dB",
    NoBackscatter = "figure_no_backscatter": "no backscatter profile: it needs both directions at the same place",
    BeyondBreak = "figure_beyond_break": "beyond the break",
    LostInNoise = "figure_lost_in_noise": "lost in noise",
    StripFibre = "figure_strip_fibre": "fibre, dB/km",
    StripHiddenA = "figure_strip_hidden_a": "hidden from A",
    StripHiddenB = "figure_strip_hidden_b": "hidden from B",
    FibreAxis = "figure_fibre_axis": "{unit} of fibre from A's first connector",
    FibreAxisShort = "figure_fibre_axis_short": "{unit} from A",
    MapTitle = "figure_map_title": "{wavelength} nm, {cable}: two-way loss of every fibre at every joint",
    MapNoName = "figure_map_no_name": "cable",
    MapCounts = "figure_map_counts": "fibres: {fibres}; joints, with the ends: {joints}; {above}; not measured: {missing}",
    MapAboveLimits = "figure_map_above_limits": "losses above their limits: {count}",
    MapAboveSplices = "figure_map_above_splices": "losses of splices above {loss} dB: {count}",
    MapAbove = "figure_map_above": "above its limit",
    MapAboveBad = "figure_map_above_bad": "splice above {loss} dB",
    MapAndMore = "figure_map_and_more": "{loss} dB and more",
    LogTitle = "figure_log_title": "Splicing machines against two-way losses",
    LogTitleOf = "figure_log_title_of": "Splicing machines against two-way losses, cable {cable}",
    LogUnmeasured = "figure_log_unmeasured": "No logged splice was measured",
    LogNothing = "figure_log_nothing": "Nothing points to a machine: no service on these figures",
    LogCounts = "figure_log_counts": "{splices} splices logged and measured; {tests} tests, probabilities adjusted for all (Holm)",
    LogWhiskers = "figure_log_whiskers": "Whiskers: two standard errors. A group of fewer than {fewest} splices is not tested.",
    LogMore = "figure_log_more": "Findings in the table beside this one: {count}.",
    LogAxis = "figure_log_axis": "measured less estimated, dB",
    LogAxisShort = "figure_log_axis_short": "meas. − est., dB",
    LogAboveZero = "figure_log_above_zero": "above 0: loses more than was estimated",
    LogNamesLeftOut = "figure_log_names_left_out": "names left out: see the table",
    LogAll = "figure_log_all": "all",
    LogByMachine = "figure_log_by_machine": "by machine",
    LogByOperator = "figure_log_by_operator": "by operator",
    LogByDay = "figure_log_by_day": "by day",
    LogArcs = "figure_log_arcs": "arcs since the electrodes were new",
    LogCleaves = "figure_log_cleaves": "cleaves since the blade was turned",
    LogNone = "figure_log_none": "not in the log: {count}",
    LogLossAxis = "figure_log_loss_axis": "measured two-way loss, dB",
    LogMachine = "figure_log_machine": "machine",
    LogThick = "figure_log_thick": "thick line: a rise that is significant",
    OneWayTitle = "figure_one_way_title": "{wavelength} nm, fibre {fibre}, cable {cable}, one direction only",
    OneWayEnds = "figure_one_way_ends": "taken from {from}  ·  towards {to}",
    OneWayNoEnd = "figure_one_way_no_end": "end of the link not seen",
    OneWayMessage = "figure_one_way_message": "One direction cannot tell which joint is bad: take the trace from the other end too",
    OneWayDetail = "figure_one_way_detail": "What is shown is the loss plus or minus the difference in backscatter of the two fibres; a gain is never a gain.",
    OneWayAxis = "figure_one_way_axis": "apparent loss, dB",
    OneWayValues = "figure_one_way_values": "one way, dB",
    OneWayKey = "figure_one_way_key": "apparent loss, this direction only",
    OneWayKeyShort = "figure_one_way_key_short": "apparent loss",
    OneWayGain = "figure_one_way_gain": "apparent gain: the fibre behind scatters more",
    OneWayGainShort = "figure_one_way_gain_short": "apparent gain",
    OneWayTrace = "figure_one_way_trace": "the trace",
    OneWayStartAxis = "figure_one_way_start_axis": "level from the start, dB",
    OneWayFibreAxis = "figure_one_way_fibre_axis": "{unit} of fibre from the link's start",
    OneWayBeyond = "figure_one_way_beyond": "beyond the link",
    OneWayHidden = "figure_one_way_hidden": "hidden",
}

/// The words of figures in one language.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Phrases {
    replaced: BTreeMap<Phrase, String>,
}

impl Phrases {
    /// The text in these words.
    pub fn of(&self, phrase: Phrase) -> &str {
        self.replaced
            .get(&phrase)
            .map_or_else(|| phrase.english(), String::as_str)
    }

    /// Puts a text in place of the one built in, without its control characters.
    pub fn replace(&mut self, phrase: Phrase, with: &str) {
        self.replaced.insert(phrase, plain_text(with));
    }

    /// The text with its places filled in; `{key}` stands for a value.
    pub(super) fn filled(&self, phrase: Phrase, values: &[(&str, &str)]) -> String {
        filled(self.of(phrase), values)
    }

    /// The word for a kind of event.
    pub(super) fn kind(&self, kind: EventKind) -> &str {
        self.of(match kind {
            EventKind::Connector => Phrase::KindConnector,
            EventKind::Splice => Phrase::KindSplice,
            EventKind::Bend => Phrase::Bend,
            EventKind::Group => Phrase::KindGroup,
            EventKind::Echo => Phrase::KindEcho,
            EventKind::Break => Phrase::KindBreak,
            EventKind::End => Phrase::KindEnd,
        })
    }

    /// The word for a verdict, in capitals where it must be seen; none without one.
    pub(super) fn verdict(&self, verdict: Verdict) -> Option<String> {
        match verdict {
            Verdict::Pass => Some(self.of(Phrase::Pass).to_owned()),
            Verdict::Fail => Some(self.of(Phrase::Fail).to_uppercase()),
            Verdict::Undecided => Some(self.of(Phrase::Undecided).to_owned()),
            Verdict::NotJudged => None,
        }
    }
}
