// Package unit gives physical quantities and instants types of their own, so
// that a relative humidity cannot be handed over where a temperature is meant.
//
// Quantities are float64 in the unit that the type's comment names. Instants
// are integer nanoseconds: sums of intervals are exact and do not depend on
// the order in which they are formed.
package unit

import (
	"fmt"
	"time"
)

// Celsius is a temperature in °C.
type Celsius float64

// Kelvin is a temperature difference in K.
type Kelvin float64

// Percent is a relative humidity over water in %RH.
type Percent float64

// Hectopascal is a pressure in hPa.
type Hectopascal float64

// GramPerCubicMetre is an absolute humidity in g/m³.
type GramPerCubicMetre float64

// Instant is a point in time: nanoseconds since 1970-01-01T00:00:00Z.
// Range 1678 to 2262.
type Instant int64

// At returns the instant of t. t must lie in the range of Instant.
func At(t time.Time) Instant { return Instant(t.UnixNano()) }

// Time returns the instant as a time in UTC.
func (i Instant) Time() time.Time { return time.Unix(0, int64(i)).UTC() }

// Add returns i moved by d.
func (i Instant) Add(d time.Duration) Instant { return i + Instant(d) }

// Sub returns the time from j to i.
func (i Instant) Sub(j Instant) time.Duration { return time.Duration(i - j) }

// Floor returns the last multiple of d since the epoch that is not after i,
// also before 1970. d must be positive.
func (i Instant) Floor(d time.Duration) Instant {
	r := i % Instant(d)
	if r < 0 {
		r += Instant(d)
	}
	return i - r
}

// String returns the instant in RFC 3339 with nanoseconds as needed.
func (i Instant) String() string { return i.Time().Format(time.RFC3339Nano) }

// MarshalText gives the form of String, so that instants in JSON are RFC 3339.
func (i Instant) MarshalText() ([]byte, error) { return []byte(i.String()), nil }

// UnmarshalText reads RFC 3339 in the range of Instant.
func (i *Instant) UnmarshalText(text []byte) error {
	t, err := time.Parse(time.RFC3339Nano, string(text))
	if err != nil || t.Year() < 1700 || t.Year() > 2200 {
		return fmt.Errorf("time %q: write RFC 3339 between 1700 and 2200, as in 2025-05-14T09:00:00Z", text)
	}
	*i = At(t)
	return nil
}
