package reading

import (
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/stretchr/testify/require"

	"dewpost/rules/unit"
)

// What may stand where a number is meant, and doesn't belong there. None of it
// is a number of line protocol that is in any channel's range.
var (
	noNumber = []string{ // the value is refused, the reading stays
		"-Inf", "1e308", "-1e308", "1e309", "1e400", "-1e400", "9223372036854775807i", "-9223372036854775808i", "9223372036854775808i",
		"18446744073709551615u", "18446744073709551616u", "0x1p3", "0x10", "0x10i", "1_000", "1_000i", "t", "true", "false", "F", `"5"`,
		"\"a\nb\"", "\"a\x00b\"", `"NaN"`, "5.5.5", "1e", "--5", "5f", "5n", "5\x00", "5\xff", "1.0i", "1e1i", "-5u", "5.5u",
	}
	noField = []string{ // the line is refused
		"NaN", "nan", "Inf", "+Inf", "inf", "+5", "\"a\xffb\"", `"`, "", "5 5", "٥", "5\r", "\xff", "\x00",
	}
	noInteger = []string{
		"-0", "0i", "-1i", "-0.0", "5", "5.5", "5u", "1.0i", "5e-324", "1e400", "0x1p3", "0x10i", "1_000i", "t", `"5"`,
		"9223372036854775808i", "-9223372036854775808i", "18446744073709551615u",
	}
	noText = []string{"5", "5i", "t", "\"a\x00b\"", "\"a\tb\"", "\"a\x7fb\"", "\"a\u0085b\"", `"` + strings.Repeat("x", maxFlags+1) + `"`}
	noTime = []string{"-0.0", "5e-324", "1e18", "5i", "5u", "0x10", "1_000", "t", `"5"`, "9223372036854775808", "-9223372036854775808", "-9223372036854775809", "+1777590000000000000", "17775900000000000\x0000", "1777590000000000000 5"}
	early  = []string{"-0", "0", "5", "-5", "946684799999999999", "-9223372036854775807", "00005"}
	late   = []string{"9223372036854775807", "1777593900000000001"}

	tortureNow = unit.At(time.Date(2026, 5, 1, 0, 0, 0, 0, time.UTC))
)

const goodTime = "1777590000000000000"

// tortured decodes a line between two good ones, and checks that these are as
// they were and that the one between is counted once. It returns what became
// of that one.
func tortured(t *testing.T, line string) (Batch, *Reading, *Refusal) {
	t.Helper()
	good := func(seq int) string {
		return fmt.Sprintf("reading,station=a,run=9f31c2aa07de4410 seq=%di,board_temp_c=1 %s\n", seq, goodTime)
	}
	b := Decode("a", []byte(good(1)+line+"\n"+good(3)), tortureNow)
	var between []*Reading
	for i := range b.Readings {
		r := &b.Readings[i]
		if r.Run != "9f31c2aa07de4410" || r.Seq != 1 && r.Seq != 3 {
			between = append(between, r)
			continue
		}
		x, ok := r.Get(BoardTemp)
		require.True(t, ok && x == 1 && r.Present() == 1<<BoardTemp && r.Flags == "" && r.Time.String() == "2026-04-30T23:00:00Z", "%q", line)
	}
	require.Len(t, b.Readings, 2+len(between), "%q: both neighbours", line)
	for _, r := range between {
		for c := range NumChannels {
			x, ok := r.Get(c)
			require.False(t, math.IsNaN(x) || math.IsInf(x, 0) || math.Signbit(x) && x == 0, "%q", line)
			require.True(t, !ok || InRange(c, x), "%q", line)
		}
	}
	// A line feed in it makes two lines of a line that can't be read.
	pieces := 1
	if len(b.Refused) > 0 {
		pieces += strings.Count(line, "\n")
	}
	require.Len(t, append(make([]struct{}, len(between)), make([]struct{}, len(b.Refused))...), pieces, "%q: counted once", line)
	if len(between) == 1 {
		return b, between[0], nil
	}
	return b, nil, &b.Refused[0]
}

func TestTorture_Channels(t *testing.T) {
	for c := range NumChannels {
		line := func(value string) string {
			return fmt.Sprintf("reading,station=a,run=9f31c2aa07de4410 seq=2i,line_voltage_v=7,%s=%s %s", c.Name(), value, goodTime)
		}
		if c == LineVoltage {
			line = func(value string) string {
				return fmt.Sprintf("reading,station=a,run=9f31c2aa07de4410 seq=2i,inside_temp_c=7,%s=%s %s", c.Name(), value, goodTime)
			}
		}
		for _, value := range noNumber {
			b, r, _ := tortured(t, line(value))
			require.NotNil(t, r, "%s %q", c.Name(), value)
			require.False(t, r.Has(c), "%s %q", c.Name(), value)
			require.Equal(t, 1, b.RefusedValues[c], "%s %q", c.Name(), value)
		}
		for _, value := range noField {
			_, _, f := tortured(t, line(value))
			require.NotNil(t, f, "%s %q", c.Name(), value)
			require.Equal(t, ReasonMalformed, f.Reason)
			require.Equal(t, int64(2), f.Seq, "its number can be told")
		}
		_, _, f := tortured(t, line("5,"+c.Name()+"=5"))
		require.NotNil(t, f, "%s twice", c.Name())
		lo, hi := c.Range()
		for _, x := range []float64{lo, hi, math.Nextafter(lo, 0), math.Nextafter(hi, 0), 0, math.Copysign(0, -1), 5e-324, 1e-310} {
			b, r, _ := tortured(t, line(fmt.Sprint(x)))
			require.NotNil(t, r, "%s %v", c.Name(), x)
			got, ok := r.Get(c)
			require.True(t, ok, "%s %v", c.Name(), x)
			require.Equal(t, x+0, got)
			require.Zero(t, b.RefusedValues[c])
		}
		for _, x := range []float64{math.Nextafter(lo, math.Inf(-1)), math.Nextafter(hi, math.Inf(1)), lo - 1, hi + 1, 2e6} {
			b, r, _ := tortured(t, line(fmt.Sprint(x)))
			require.False(t, r.Has(c), "%s %v", c.Name(), x)
			require.Equal(t, 1, b.RefusedValues[c])
		}
	}
	// The bounds of RH that the contract names.
	for value, kept := range map[string]bool{"-5": true, "-6": true, "-6.01": false, "100.01": true, "116": true, "119": true, "119.01": false, "600": false, "1e-400": true, "5u": true, "-6i": true, ".5": true, "5.": true} {
		_, r, _ := tortured(t, "reading,station=a,run=9f31c2aa07de4410 seq=2i,inside_rh_pct="+value+" "+goodTime)
		require.Equal(t, kept, r.Has(InsideRH), value)
	}
}

func TestTorture_TheRest(t *testing.T) {
	malformed := func(where, line string, seq int64) {
		t.Helper()
		_, _, f := tortured(t, line)
		require.NotNil(t, f, "%s: %q", where, line)
		require.Equal(t, ReasonMalformed, f.Reason, "%s: %q", where, line)
		require.Equal(t, seq, f.Seq, "%s: %q", where, line)
	}
	const head = "reading,station=a,run=9f31c2aa07de4410 "
	for _, value := range append(append([]string{}, noInteger...), noField...) {
		if value == "+5" { // followed by i it would be a number, as here it is none
			continue
		}
		malformed("seq", head+"seq="+value+",board_temp_c=2 "+goodTime, 0)
		malformed("oldest", head+"seq=2i,oldest="+value+",board_temp_c=2 "+goodTime, 2)
	}
	for _, value := range append(append([]string{}, noText...), noField...) {
		malformed("flags", head+"seq=2i,flags="+value+" "+goodTime, 2)
	}
	malformed("flags", head+"seq=2i,flags=\"a\nb\" "+goodTime, 2)
	for _, value := range append(append([]string{}, noTime...), "NaN", "Inf", "\xff", "", "5\x00") {
		malformed("time", head+"seq=2i,board_temp_c=2 "+value, 2)
	}
	for _, value := range append(append([]string{}, early...), late...) {
		_, _, f := tortured(t, head+"seq=2i,board_temp_c=2 "+value)
		require.NotNil(t, f, value)
		require.Equal(t, ReasonTime, f.Reason, value)
		require.NotNil(t, f.Reading)
		require.Equal(t, int64(2), f.Seq)
	}
	for _, twice := range []string{"seq=2i,seq=2i", "seq=2i,oldest=1i,oldest=1i", `seq=2i,flags="a",flags="a"`} {
		malformed("twice", head+twice+" "+goodTime, 2)
	}
	for _, run := range []string{"9F31C2AA07DE4410", "9f31c2aa07de441", "9f31c2aa07de44100", "NaN", "0x1p3", "1_000", "é", "\xff", "9f31c2aa07de4410,run=9f31c2aa07de4410", "-1", "\x00"} {
		_, _, f := tortured(t, "reading,station=a,run="+run+" seq=2i,board_temp_c=2 "+goodTime)
		require.NotNil(t, f, "run %q", run)
	}
	for _, station := range []string{"b", "A", "NaN", "a\\ b", "é"} {
		_, _, f := tortured(t, "reading,station="+station+",run=9f31c2aa07de4410 seq=2i,board_temp_c=2 "+goodTime)
		require.NotNil(t, f, "station %q", station)
		require.Equal(t, ReasonStation, f.Reason, "station %q", station)
	}
	// What nobody knows is counted, whatever is in it, where the line can be read.
	for _, value := range noNumber {
		b, r, _ := tortured(t, head+"seq=2i,board_temp_c=2,what="+value+" "+goodTime)
		require.NotNil(t, r, "%q", value)
		require.Equal(t, 1, b.UnknownFields, "%q", value)
	}
	// The edges of what is a number.
	_, r, _ := tortured(t, head+"seq=9223372036854775807i,board_temp_c=2 "+goodTime)
	require.Equal(t, int64(math.MaxInt64), r.Seq)
	b, _, _ := tortured(t, head+"seq=2i,oldest=9223372036854775807i,board_temp_c=2 "+goodTime)
	require.Equal(t, int64(math.MaxInt64), b.Oldest["9f31c2aa07de4410"])
}
