// Package boxsim simulates the box of an outdoor call station in made-up or
// measured weather: its air, board, cover and the water in it, and what its sensors
// show. It is physics for demonstration and tests, not a forecast, and shares
// no estimator with the rules that judge a box.
//
// # Weather
//
// [Generated] is a pure function of the instant: smooth random waves of hours
// to days (fronts, air masses, showers) on a season and a daily course. Lows
// bring cloud, rain and damp air; cloud damps the daily swing, so clear nights
// cool most. Air that would cool below its dew point loses water and cools
// more slowly: the temperature is never below the dew point. The daily course
// follows Parton and Logan 1981, clear-sky sun Haurwitz 1945 and its loss to
// cloud Kasten and Czeplak 1980 (all from memory, the first also in later
// papers); everything else is common practice without a source, set so that
// the humidity of [Quayside] is spread like that measured on a North Sea coast.
//
// # Temperatures
//
// Air, board, cover and sump each follow, with a first-order lag τp, the
// outdoor temperature plus what warms and cools them:
//
//	dTp/dt = (Tout + self·SelfHeat + sun·SunGain·S/800 − sky·SkyCooling·v + wall − Tp)/τp
//	v = (1 − e0(Td))/0.26 · (1 − 0.8 cloud)/(1 + 0.2 wind)
//
// e0 is the clear sky's emissivity of Martin and Berdahl 1984; the parts of
// cloud and wind and the shares of the parts are judgement values. A cover
// that sees half the sky falls 2 to 6 K below the air on a clear night.
//
// # Water
//
// The vapour pressure e of the box air obeys the first-order exchange of
// Tencer 1994 (quasi-steady state, abstract seen), beside which each surface i
// with water or dew on it pulls e to its saturation pressure, over ice below
// 0 °C:
//
//	de/dt = (eout + share·Δe − e)/τ + Σ ki (es(Ti) − e)
//	dmi/dt = −C ki (es(Ti) − e),  mi ≥ 0
//
// Δe is the excess of house air that enters by the cable. C, the grams in a
// litre of air per hPa, and the ki are constants (judgement values), so that
// water is neither made nor lost: what condenses comes back when the board
// warms, a puddle goes only as fast as the box breathes, and what no longer
// clings to a surface runs into the sump. What the air cannot hold at its own
// temperature settles as fog on the walls: box air is never above saturation.
// A cracked cover breathes faster and lets in rain. Who drains or repairs a box
// wipes it dry.
//
// # What real boxes have besides
//
// Each of these is off in a zero [Box]:
//
//   - Wind speeds the exchange, 1/τ = (1 + WindPerMS·wind)/TauH (judgement value).
//   - Pumping: air that cools by dT draws in dT/T of its volume (ideal gas).
//   - Two buffers, [Box.Skin] and [Box.Bulk], for what plastic, paper and cone take
//     up and give off by the RH of the air, each with its own time constant; see
//     [Buffer]. They make the breathing time that shows longer than that of the
//     exchange alone, and vapour rise in a box that warms.
//   - Frost: water on the board and in the sump holds 0 °C until the heat of fusion
//     (334 J/g) is through; a frozen film hardly conducts.
//   - Salt conducts above the deliquescence of NaCl, 75 %RH (Greenspan 1977).
//   - [Use]: radio, calls and talk for hours; a line meter shows the median since
//     the last reading. The board warms with the current (judgement values).
//   - The supply wanders by a smooth random wave over days (judgement value).
//   - An RH sensor that was in saturated air shows too much until it has dried, or
//     until its heater was on, which a flag of that reading tells.
//   - Errors of the sensors that stay, and a sensor that is swapped for another.
package boxsim
