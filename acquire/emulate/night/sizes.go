package night

import "time"

// The sizes of what goes wrong, and of what only looks like it. They were set
// before any detector was tried on them and are not to be softened. A range is
// drawn from evenly, or evenly on a logarithmic scale where it says so.
//
// Behind each stands where it comes from: a source; "practice" for common
// practice without a source; "chosen" for a figure of our own, to meet the
// claim that the corpus is there to test.

// span is a range of some unit, ends included.
type span struct{ lo, hi float64 }

// Seconds in the units that the table is written in.
const (
	minute = 60.0
	hour   = 3600.0
)

// The night itself.
var (
	nightLong   = span{3 * hour, 12 * hour} // chosen: an evening's soak to a whole night
	heatersAt   = 2.0                       // second; readings of a cold amplifier come first. Chosen
	preheat     = span{25, 90}              // standby switch: 30 to 60 s for receiving types, practice
	earliest    = 50 * minute               // onset after HT up, unless a kind is about warm-up: past settle_by. Chosen
	latest      = 20 * minute               // onset before the end, at least: time for the alarm to come. Chosen
	warmUpOnset = span{6 * minute, 20 * minute}
)

// Mains. Nominal ±10 % is what the standards let a supplier do (IEC 60038,
// secondary source); our corpus stays within ±8 %, but for brown-outs.
var (
	mainsOff     = span{-0.015, 0.015}        // from nominal, all night. Chosen
	mainsDiurnal = span{0, 0.015}             // amplitude over a day: evening load comes and goes. Practice
	quietSigma   = span{0.001, 0.0035}        // of the slow wander. Chosen; the demo's amplifier has 0.33 %
	wanderSigma  = span{0.006, 0.014}         // of the slow wander on nights that are about it. Chosen
	restless     = 0.3                        // of the nights that are about something else have such a mains too: faults do not wait for a quiet one. Chosen
	wanderTau    = span{5 * minute, hour}     // its time constant, logarithmic. Chosen
	quickSigma   = span{0.0003, 0.0012}       // of the restless part, time constant 2 s. Chosen
	mainsBound   = 0.04                       // wander alone stays within; bounded as a voltage regulator bounds it
	tapStep      = span{0.015, 0.07}          // tap changer, up or down: 1.5 % is one tap, 7 % a transformer switched over. Practice
	tapSteps     = span{2, 8}                 // a night
	tapBound     = 0.06                       // taps bring it back beyond
	dipDepth     = span{0.10, 0.30}           // EN 50160, from memory: most dips are shallow and under a second
	dipLong      = span{0.1, 5}               // second, logarithmic
	dips         = span{5, 60}                // a night
	motorInrush  = span{0.03, 0.07}           // a neighbour's compressor starts. Practice
	motorRuns    = span{5, 40}                // second
	motorEvery   = span{6 * minute, hour / 2} // between starts
	dropoutLong  = span{0.2, 20}              // second, logarithmic: reclosers and loose plugs. Practice
	dropouts     = span{2, 8}                 // a night
	cutLong      = span{minute, 15 * minute}  // a power cut, logarithmic. Practice
	brownOut     = span{0.13, 0.18}           // below nominal: plate volts past the 10 % of the supply limit. Chosen
	brownLong    = span{5 * minute, 40 * minute}
	standbyLong  = span{3 * minute, 20 * minute} // the operator's tea. Chosen
)

// Tubes and their surroundings.
var (
	heaterTau    = span{5, 7}                     // cathode about working temperature, second: 90 % of emission after 15 to 30 s, practice
	quickTau     = span{1.5 * minute, 4 * minute} // electrodes and bulb together drift for 5 to 20 min, practice
	slowTau      = span{5 * minute, 15 * minute}  // envelope and chassis
	quickShare   = span{-0.01, 0.035}             // of the current that comes with it. 3 to 10 min of a few %, estimate
	slowShare    = span{-0.02, 0.035}
	match        = 0.025                // either side of the set's mean: 5 % between pair members, practice
	exponent     = span{1.40, 1.60}     // of the tube law; stored models use 1.2 to 1.5, Child's is 1.5
	answer       = span{1.3, 3.5}       // d ln I over d ln mains with fixed bias, all following; drawn for the set. Derived from the tube form and how far the bias follows
	muSpread     = 0.06                 // of the amplification factors within a set, so that each tube answers by itself. Chosen
	flickerShare = span{0.0002, 0.0010} // of each of the noise's four decade-spaced parts (1 s to 1000 s). Chosen
	telegraph    = span{0.002, 0.005}   // two-level noise, one tube in ten. Practice: "popcorn"
	biasCreep    = span{-0.002, 0.002}  // of the bias volts as its resistors warm. Chosen
	agingLoss    = span{0.01, 0.04}     // of the current over the night by heater and cathode aging: no alarm. Chosen: "a few %"
)

// Faults of tubes and amplifier.
var (
	driftSize    = span{0.13, 0.25}              // beyond supply movement. From 13 %: the limit is 10 %, and what has not settled yet, a meter's warmth and the tube's own noise may hide 2 to 3 % of it. Chosen
	driftLong    = span{hour, 5 * hour}          // start to full size
	creepSize    = span{0.04, 0.065}             // the same, too small for an alarm. Chosen
	stepSize     = span{0.14, 0.22}              // the limit is 10 %. Chosen: about 15 %
	jumpLong     = span{0.2, 2}                  // second
	growthTime   = span{4 * minute, 40 * minute} // of a runaway, logarithmic. Chosen: the range in which a person can still come
	growthsToGo  = 3.0                           // growth times from onset to the limit, in the still-air calculation. Chosen
	gasMargin    = span{0.008, 0.035}            // of its heat at onset, above which a tube gives off gas. Estimate
	gridSteep    = 18.0                          // d ln of grid emission over d ln T: work function 1.6 eV over kT at 1000 K, from memory
	coatingSteep = 6.0                           // how the coating's migration answers to heat. Estimate
	ownDoing     = 0.08                          // least share of the current at the limit that must be a runaway's own growth: else the mains took it there. Chosen
	tapMeanwhile = span{0.02, 0.06}              // mains step during a runaway, either way
	offAfter     = span{20, 240}                 // second from the limit to somebody or something switching off. Chosen
	fuseAfter    = span{8, 60}                   // second from bias lost to the HT fuse. Practice: slow-blow fuses at twice their rating
	contactLong  = span{0.2, 5}                  // second of a drop-out, logarithmic
	contactEvery = span{minute, 5 * minute}      // mean time between drop-outs
	contactDue   = 30 * time.Minute              // some six to thirty drop-outs: then it must have been told. Chosen
	biasLostTau  = span{0.5, 8}                  // second: the filter capacitor empties
	halfShift    = span{0.058, 0.07}             // of each half, apart: 11.6 to 14 % imbalance, no tube past 8 %. Chosen
	slowSettled  = 33 * minute                   // a slow warm-up that still is no alarm has settled by then by rule; settle_by is 45 min. Chosen
	slowTooLong  = 58 * minute                   // one that is an alarm has not by then. Chosen
	slowUpShare  = span{0.05, 0.12}              // of the current that comes slowly on such a night, either way
	slowUpTau    = span{8 * minute, 20 * minute} // and its time constant
	unsettled    = span{0.015, 0.022}            // of the current in 5 min, steadily: the settle rate is 1 %. Chosen
	trimSize     = span{0.10, 0.30}              // of the current, by the trimmer
	trimOff      = span{0.15, 0.22}              // the same where the job has an idle target: more than its 5 points, whatever the idle
	trimLong     = span{3, 20}                   // second of turning
	trimTold     = span{3, 60}                   // second until the operator says so
)

// Faults of meters.
var (
	lossShare    = span{0, 0.006} // of readings that never arrive. Practice: optical heads in lamp light
	gapsAnHour   = span{0, 1.5}   // port lost and found again, shorter than silent_after
	silentLong   = span{10 * minute, hour}
	batteryGain  = span{-0.03, 0.07}    // of reading by the end: the reference sags, practice. Under the 10 % of drift and supply
	batteryLong  = span{hour, 3 * hour} // from the sign to silence
	freezeDue    = 10 * time.Minute     // a frozen display must have been told. Chosen
	frozenCounts = 20000                // only displays this fine: a coarse one may stand still by right
	roomSwing    = span{1, 4}           // K over a day
	benchWarms   = span{2, 8}           // K in the first hours
	humShare     = span{0.0002, 0.003}  // of the reading, beating slowly with the display's pace; three meters in ten. Practice
	tempcoShare  = 0.07                 // of the accuracy for each K, at most. Practice: 0.1 x accuracy per K outside 18 to 28 °C
)

// Unseen says whether a seed belongs to the third that is looked at only when
// the detectors are done.
func Unseen(seed uint64) bool { return seed%3 == 0 }

// Seeds is how many seeds of each kind the corpus has: 0 to Seeds-1.
const Seeds = 50
