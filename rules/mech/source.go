package mech

import (
	"maps"
	"slices"
)

// Fact names a formula or a table of this package. It is stable, so that
// answers can cite it.
type Fact string

// The facts.
const (
	FactD                 Fact = "mech.formula.d_value"
	FactDc                Fact = "mech.formula.dc_value"
	FactC                 Fact = "mech.formula.c_definition"
	FactSemiD             Fact = "mech.formula.semi_d"
	FactV                 Fact = "mech.formula.v_value"
	FactS                 Fact = "mech.formula.s_u"
	FactDInverse          Fact = "mech.formula.d_inverse"
	FactDPeak             Fact = "mech.formula.d_equal"
	FactWhichValues       Fact = "mech.formula.which_d"
	FactMarks             Fact = "mech.table.r55_marking"
	FactClasses           Fact = "mech.table.r55_classes"
	FactClassesMore       Fact = "mech.table.r55_classes_e_t"
	FactTwoPlates         Fact = "mech.coupling.two_plates"
	FactWeakest           Fact = "mech.formula.weakest_tiedown"
	FactChainPoint        Fact = "mech.formula.adr62_chain_point"
	FactDrawbarChainPoint Fact = "mech.formula.adr62_chain_point.drawbar"
	FactDrawbarHeavy      Fact = "mech.formula.adr62_drawbar_heavy"
	FactDrawbarLight      Fact = "mech.formula.adr62_drawbar_light"

	FactBallMoment   Fact = "mech.formula.ball_load_moment"
	FactBallItems    Fact = "mech.formula.ball_load_items"
	FactOnWheels     Fact = "mech.formula.gtm"
	FactAxleGroup    Fact = "mech.formula.multi_axle"
	FactVehicleAxles Fact = "mech.formula.vehicle_axles"
	FactPayload      Fact = "mech.formula.vehicle_payload"
	FactLevel        Fact = "mech.formula.wdh"
	FactRestore      Fact = "mech.formula.wdh_restore"
	FactCoupled      Fact = "mech.formula.gvm_ball"
	FactMaxTrailer   Fact = "mech.formula.max_atm"

	FactCentreAxleBall Fact = "mech.tow_ball_load.centre_axle_10"
	FactBelgianBall    Fact = "mech.tow_ball_load.be"
	FactBallShares     Fact = "mech.practice.ball_percent"
	FactMassRatio      Fact = "mech.practice.mass_ratio"

	FactLoadIndex    Fact = "mech.table.load_index"
	FactTwinIndex    Fact = "mech.table.li_dual"
	FactTyreCapacity Fact = "mech.formula.tyre_capacity"
	FactPMetric      Fact = "mech.formula.us_p_metric"
	FactSpeedSymbols Fact = "mech.table.speed_symbols"
	FactSlowSymbols  Fact = "mech.table.speed_symbols_a"

	FactJ684Classes  Fact = "mech.table.j684_classes"
	FactHitchTest    Fact = "mech.formula.j684_hitch_test"
	FactJ684Chain    Fact = "mech.table.j684_chain"
	FactBallSizes    Fact = "mech.table.ball_sizes"
	FactWornBall     Fact = "mech.coupling.worn_ball"
	FactTiedownChain Fact = "mech.table.chain_393_108"
	FactAS4177       Fact = "mech.table.as4177_4"
	FactChainGrades  Fact = "mech.table.chain_iso_grades"
	FactShackleGuide Fact = "mech.table.qld_shackle"
	FactShackle      Fact = "mech.formula.shackle"
	FactShackles     Fact = "mech.table.shackle_en13889"

	FactCategories      Fact = "mech.table.r13_categories"
	FactRate            Fact = "mech.formula.z"
	FactUnbraked        Fact = "mech.formula.unbraked_share"
	FactR13HUnbraked    Fact = "mech.formula.r13h_unbraked"
	FactStopping        Fact = "mech.formula.stopping"
	FactTypicalStop     Fact = "mech.formula.uk_highway_code"
	FactMFDD            Fact = "mech.formula.mfdd"
	FactR13HStop        Fact = "mech.formula.r13h_stop_requirement"
	FactR13Trailers     Fact = "mech.braking.r13_trailers"
	FactR13Overrun      Fact = "mech.braking.r13_overrun"
	FactBelgianOverrun  Fact = "mech.braking.national_overrun_be"
	FactOverrunBalance  Fact = "mech.formula.overrun_balance"
	FactTrailerRate     Fact = "mech.formula.zr_from_comb"
	FactGrade           Fact = "mech.formula.grade"
	FactTowingGrade     Fact = "mech.formula.towing_grade"
	FactParking18       Fact = "mech.parking.18"
	FactParking16       Fact = "mech.parking.16"
	FactParking12       Fact = "mech.parking.12"
	FactNationalParking Fact = "mech.parking.national"
	FactNationalBraking Fact = "mech.braking.national_performance"
	FactUnits           Fact = "mech.formula.units"
)

// Source says where a fact comes from and how far to trust it.
type Source struct {
	Title      string
	Clause     string // empty where there is none
	How        string // text, second-hand or memory
	Confidence string // high, medium or low
	Caution    string // what a reader has to know beside it; often empty
}

// Titles that serve several facts.
const (
	r55     = "UN Regulation No. 55, 01 series (mechanical coupling components)"
	r13     = "UN Regulation No. 13 (braking)"
	r13h    = "UN Regulation No. 13-H (braking of passenger cars)"
	adr62   = "Vehicle Standard (ADR 62/02 - Mechanical Connections Between Vehicles) 2007"
	derived = "Rigid-body statics and uniform deceleration, derived; no published source"
	comar   = "COMAR 11.13.08 Vehicle Connecting Devices and Towing Methods (Maryland)"
	j684    = "SAE J684 Trailer Couplings, Hitches and Safety Chains"
	tiedown = "49 CFR 393.108 working load limits of tiedowns"
	qld     = "Queensland transport department guide to shackles, as reprinted"
	gbCU    = "Road Vehicles (Construction and Use) Regulations 1986 (GB)"
	nations = "National braking texts of AT, BE, DE, FR, GB, NL and PL"

	clauseUnread = "the clause itself was not readable; several secondary texts agree"
)

var sources = map[Fact]Source{
	FactD:                 {r55, "para 2.11 (number from memory)", "second-hand", "high", clauseUnread},
	FactDc:                {r55, "para 2.11 (number from memory)", "second-hand", "high", clauseUnread},
	FactC:                 {"Delegated Regulation (EU) No 44/2014", "Annex V 6.5", "text", "high", "a text for light (L) categories; the meaning in UN R55 is the same"},
	FactSemiD:             {"Encyclopaedia article on the D value", "", "second-hand", "high", "for semi-trailers alone"},
	FactV:                 {r55, "para 2.11 (number from memory)", "second-hand", "high", clauseUnread + "; the 3.5 t boundary is from memory"},
	FactS:                 {r55, "para 2.11 (number from memory)", "second-hand", "high", ""},
	FactDInverse:          {"Engineering reference page on the D value", "", "second-hand", "high", "algebra on the D formula; the page misprints one denominator"},
	FactDPeak:             {derived, "", "memory", "high", ""},
	FactWhichValues:       {r55, "Annex 4 table", "text", "high", "the table was read; that a ball or head is judged by D and S alone is inferred from it"},
	FactMarks:             {r55, "Annex 4", "text", "high", ""},
	FactClasses:           {r55, "definitions table", "text", "high", ""},
	FactClassesMore:       {"Examples of mechanical coupling devices under UN R55, informal document, 116th GRSG session", "", "second-hand", "high", "that class E includes overrun devices is from memory"},
	FactTwoPlates:         {"Question-and-answer page on D values (German)", "", "second-hand", "high", ""},
	FactWeakest:           {tiedown, "393.108(a)", "text", "high", ""},
	FactChainPoint:        {adr62 + ", Amendment 1", "13.4.2.1, 13.4.2.2", "text", "high", ""},
	FactDrawbarChainPoint: {adr62, "14.4.2", "second-hand", "high", ""},
	FactDrawbarHeavy:      {adr62 + ", Amendment 1", "14.2.1.1.2", "text", "high", ""},
	FactDrawbarLight:      {adr62, "", "second-hand", "medium", "from a page that cites a bulletin; the clause was not found"},

	FactBallMoment:   {derived, "", "memory", "high", ""},
	FactBallItems:    {derived, "", "memory", "high", ""},
	FactOnWheels:     {derived, "", "memory", "high", "today's mass, not the plated one"},
	FactAxleGroup:    {derived, "", "memory", "high", "only if the suspension shares the load equally"},
	FactVehicleAxles: {derived, "", "memory", "high", ""},
	FactPayload:      {derived, "", "memory", "high", ""},
	FactLevel:        {derived, "", "memory", "high", "level and at rest; no rating rises"},
	FactRestore:      {derived, "", "memory", "high", "the share to restore is the vehicle maker's word"},
	FactCoupled:      {derived, "", "memory", "high", ""},
	FactMaxTrailer:   {derived, "", "memory", "high", ""},

	FactCentreAxleBall: {"Standards-body term list, centre-axle trailer", "", "second-hand", "high", ""},
	FactBelgianBall:    {"Royal Decree of 15 March 1968 (Belgium)", "annex, 1.5.3", "text", "medium", "a German translation was read"},
	FactBallShares:     {"Caravan towing guide of a trade body, and handbooks", "", "second-hand", "medium", "working advice, no law; each range has its own source"},
	FactMassRatio:      {"Caravan towing guide of a trade body", "", "second-hand", "medium", "working advice, no law; kerb masses with and without driver differ by some 70 kg"},

	FactLoadIndex:    {"Load index tables, five open transcriptions compared", "", "second-hand", "high", "the table of UN R54 Annex 4 was not readable; holds up to the speed of the speed symbol"},
	FactTwinIndex:    {"UN Regulations No. 30 and No. 54 (tyres)", "", "memory", "high", ""},
	FactTyreCapacity: {"UN Regulations No. 30 and No. 54 (tyres)", "", "memory", "high", ""},
	FactPMetric:      {"49 CFR 571.120", "S5.1.2", "memory", "high", ""},
	FactSpeedSymbols: {"Load index tables, five open transcriptions compared", "", "second-hand", "high", ""},
	FactSlowSymbols:  {"UN Regulations No. 30 and No. 54 (tyres)", "", "memory", "high", ""},

	FactJ684Classes:  {comar, ".04 B-C, .10 Table 1", "text", "high", "one state's copy of the scheme of SAE J684"},
	FactHitchTest:    {comar, ".10 hitch test table", "text", "medium", "the columns were read from flattened text"},
	FactJ684Chain:    {j684, "", "second-hand", "high", "closed standard; whether the figure is for one chain is not stated"},
	FactBallSizes:    {j684, "", "memory", "high", ""},
	FactWornBall:     {"Delegated Regulation (EU) No 44/2014", "Annex V 6.5", "text", "high", "the size of a test ball; as a service limit it is common practice, no published source"},
	FactTiedownChain: {tiedown, "393.108 table", "second-hand", "high", "for tiedowns; two reprints agree"},
	FactAS4177:       {"AS 4177.4 Safety chains up to 3500 kg", "", "second-hand", "high", "closed standard; two reprints agree"},
	FactChainGrades:  {"EN 818 Short link chain for lifting", "", "second-hand", "high", "not the North American grades 30, 43 and 70"},
	FactShackleGuide: {qld, "", "second-hand", "medium", "advice, no law"},
	FactShackle:      {qld, "", "second-hand", "high", "advice, no law; grade S (6), design factor 6"},
	FactShackles:     {"Shackle table headed Fed. Spec RR-C-271 / EN 13889", "", "second-hand", "high", "in-line pull; EN 13889 begins at 0.5 t"},

	FactCategories:      {r13, "", "memory", "high", ""},
	FactRate:            {derived, "", "memory", "high", ""},
	FactUnbraked:        {derived, "", "memory", "high", "limited by brake force, not by grip"},
	FactR13HUnbraked:    {r13h, "", "memory", "medium", "clause and number to be confirmed before it is shown as law"},
	FactStopping:        {derived, "", "memory", "high", ""},
	FactTypicalStop:     {"The Highway Code (UK)", "rule 126", "second-hand", "high", "a solo car; says nothing of trailers"},
	FactMFDD:            {r13 + ", as reproduced in GRRF-56-3", "Annex 4, 1.1.2", "second-hand", "high", ""},
	FactR13HStop:        {r13h, "", "memory", "high", ""},
	FactR13Trailers:     {r13, "", "memory", "high", ""},
	FactR13Overrun:      {r13, "Annex 12, test report form", "text", "high", "only the percentages were read"},
	FactBelgianOverrun:  {"Royal Decree of 15 March 1968 (Belgium)", "art 48 par. 1", "text", "high", "for nationally approved trailers; not the figures of UN R13"},
	FactOverrunBalance:  {derived, "", "memory", "high", ""},
	FactTrailerRate:     {r13, "", "memory", "medium", "symbols and the 0.01 were seen in a reprint, the form is from memory"},
	FactGrade:           {derived, "", "memory", "high", ""},
	FactTowingGrade:     {derived, "", "memory", "high", "rolling resistance about 0.01 to 0.015 is from memory"},
	FactParking18:       {"Directive 71/320/EEC (repealed)", "2.2.2.1", "second-hand", "high", ""},
	FactParking16:       {gbCU, "reg 18(6) Table II", "text", "high", ""},
	FactParking12:       {r13, "", "memory", "high", ""},
	FactNationalParking: {nations, "AT KDV 3i(3); BE art 48 par. 2; DE 41(9); FR art 16; PL 16(4); GB reg 18(6); NL 5.18.36", "text", "high", ""},
	FactNationalBraking: {nations, "BE art 48; AT KDV 3i, 3j; DE 41(9); NL 5.18.35; GB reg 18(3)", "text", "high", "percent figures are brake force over weight, not the deceleration of the rig"},
	FactUnits:           {"Definitions of the units", "", "memory", "high", "9.81 for vehicle rules, 9.80665 for kilogram-force"},
}

// Source returns where the fact comes from; false for a name that is none.
func (f Fact) Source() (Source, bool) {
	s, ok := sources[f]
	return s, ok
}

// Facts returns the names of all facts, sorted. The slice is the caller's.
func Facts() []Fact { return slices.Sorted(maps.Keys(sources)) }
