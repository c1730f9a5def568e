package reading_test

import (
	"bytes"
	"fmt"
	"math"
	"strings"
	"testing"
	"time"

	"github.com/influxdata/line-protocol/v2/lineprotocol"
	"github.com/stretchr/testify/require"
	"pgregory.net/rapid"

	"dewpost/rules/reading"
	"dewpost/rules/unit"
)

var now = unit.At(time.Date(2025, 11, 5, 0, 5, 0, 0, time.UTC))

// The example batch of contract v1.
const example = `reading,station=lake-07,run=9f31c2aa07de4410 seq=1841i,oldest=1840i,inside_temp_c=11.42,inside_rh_pct=88.31,board_temp_c=10.97,outside_temp_c=9.8,outside_rh_pct=93.1,line_current_ma=11.873 1762300800000000000
reading,station=lake-07,run=9f31c2aa07de4410 seq=1842i,inside_temp_c=11.4,inside_rh_pct=88.35,board_temp_c=10.95,flags="failed:outside_temp_c,failed:outside_rh_pct",line_current_ma=11.861 1762300860000000000
`

func TestDecodeTheContractsExample(t *testing.T) {
	b := reading.Decode("lake-07", []byte(example), now)
	require.Empty(t, b.Refused)
	require.Len(t, b.Readings, 2)
	require.Equal(t, map[string]int64{"9f31c2aa07de4410": 1840}, b.Oldest)
	r := b.Readings[0]
	require.Equal(t, "9f31c2aa07de4410", r.Run)
	require.Equal(t, int64(1841), r.Seq)
	require.Equal(t, time.Date(2025, 11, 5, 0, 0, 0, 0, time.UTC), r.Time.Time())
	v, ok := r.Get(reading.LineCurrent)
	require.True(t, ok)
	require.Equal(t, 11.873, v)
	require.False(t, b.Readings[1].Has(reading.OutsideTemp))
	require.True(t, b.Readings[1].HasFlag("failed:outside_rh_pct"))
	require.False(t, b.Readings[1].HasFlag("failed:outside"))
}

func TestCanonicalBytes(t *testing.T) {
	b := reading.Decode("lake-07", []byte(example), now)
	got := string(reading.AppendCanonical(nil, "lake-07", &b.Readings[1]))
	require.Equal(t, `reading,station=lake-07 board_temp_c=10.95,flags="failed:outside_temp_c,failed:outside_rh_pct",inside_rh_pct=88.35,inside_temp_c=11.4,line_current_ma=11.861 1762300860000000000`+"\n", got)
	// The order is alphabetical whatever the channels.
	var all reading.Reading
	for c := range reading.NumChannels {
		all.Set(c, 1)
	}
	all.Flags = "clock"
	line := string(reading.AppendCanonical(nil, "lake-07", &all))
	fields := strings.Split(strings.Fields(line)[1], ",")
	require.IsIncreasing(t, fields)
	require.Len(t, fields, int(reading.NumChannels)+1)
}

func TestChannelNamesAndWireFieldsAgree(t *testing.T) {
	for c := range reading.NumChannels {
		line := fmt.Sprintf("reading,station=a %s=1 1762300800000000000\n", c.Name())
		b := reading.Decode("a", []byte(line), now)
		require.Len(t, b.Readings, 1)
		require.True(t, b.Readings[0].Has(c), c.Name())
		require.Zero(t, b.UnknownFields)
		back, ok := reading.ChannelByName(c.Name())
		require.True(t, ok)
		require.Equal(t, c, back)
	}
}

// drawReading makes any reading that Decode accepts.
func drawReading(t *rapid.T) reading.Reading {
	r := reading.Reading{Time: unit.Instant(rapid.Int64Range(946684800e9, int64(now)).Draw(t, "time"))}
	for c := range reading.NumChannels {
		if rapid.Bool().Draw(t, "has") {
			lo, hi := c.Range()
			r.Set(c, rapid.Float64Range(lo, hi).Draw(t, c.Name()))
		}
	}
	if rapid.Bool().Draw(t, "keyed") {
		r.Run = fmt.Sprintf("%016x", rapid.Uint64().Draw(t, "run"))
		r.Seq = rapid.Int64Range(1, math.MaxInt64).Draw(t, "seq")
	}
	if rapid.Bool().Draw(t, "flagged") {
		r.Flags = rapid.StringMatching(`[ -~äö°]{1,40}`).Draw(t, "flags")
	}
	return r
}

func TestWireRoundTrip(t *testing.T) {
	rapid.Check(t, func(t *rapid.T) {
		r := drawReading(t)
		if r.Present() == 0 && r.Flags == "" && !r.Keyed() {
			return
		}
		oldest := int64(0)
		if r.Keyed() {
			oldest = rapid.Int64Range(0, r.Seq).Draw(t, "oldest")
		}
		line, err := reading.AppendLine(nil, "lake-07", &r, oldest)
		require.NoError(t, err)
		b := reading.Decode("lake-07", line, now)
		require.Empty(t, b.Refused)
		require.Equal(t, []reading.Reading{r}, b.Readings)
		require.Zero(t, b.UnknownFields)
		require.Equal(t, [reading.NumChannels]int{}, b.RefusedValues)
		if oldest > 0 {
			require.Equal(t, oldest, b.Oldest[r.Run])
			bare, err := reading.AppendLine(nil, "lake-07", &r, 0)
			require.NoError(t, err)
			require.Equal(t, string(line), string(reading.SetOldest(bare, oldest)))
		}
	})
}

// Each bad line is refused with its reason, key and bytes; its neighbours stay.
func TestMalformedLines(t *testing.T) {
	const tags = "reading,station=lake-07,run=9f31c2aa07de4410 "
	const stamp = " 1762300800000000000"
	cases := map[string]struct {
		line   string
		reason reading.Reason
		detail string
		seq    int64
	}{
		"not a number":       {tags + "seq=5i,inside_temp_c=NaN,inside_rh_pct=80" + stamp, reading.ReasonMalformed, "unrecognized type", 5},
		"bad UTF-8 in flags": {tags + "seq=5i,flags=\"\xff\"" + stamp, reading.ReasonMalformed, "", 5},
		"control character":  {tags + "seq=5i,flags=\"a\x00b\"" + stamp, reading.ReasonMalformed, "control", 5},
		"field twice":        {tags + "seq=5i,inside_temp_c=1,inside_temp_c=2" + stamp, reading.ReasonMalformed, "twice", 5},
		"no time":            {tags + "seq=5i,inside_temp_c=1", reading.ReasonMalformed, "time is missing", 5},
		"time not a number":  {tags + "seq=5i,inside_temp_c=1 now", reading.ReasonMalformed, "", 5},
		"time too large":     {tags + "seq=5i,inside_temp_c=1 99999999999999999999", reading.ReasonMalformed, "", 5},
		"no station":         {"reading,run=9f31c2aa07de4410 seq=5i" + stamp, reading.ReasonMalformed, "station is missing", 5},
		"other station":      {"reading,station=lake-08,run=9f31c2aa07de4410 seq=5i" + stamp, reading.ReasonStation, "speaks only for itself", 5},
		"other measurement":  {"weather,station=lake-07 inside_temp_c=1" + stamp, reading.ReasonMalformed, "measurement", 0},
		"seq zero":           {tags + "seq=0i" + stamp, reading.ReasonMalformed, "from 1 on", 0},
		"seq negative":       {tags + "seq=-4i" + stamp, reading.ReasonMalformed, "from 1 on", 0},
		"seq as float":       {tags + "seq=5" + stamp, reading.ReasonMalformed, "from 1 on", 0},
		"seq without run":    {"reading,station=lake-07 seq=5i" + stamp, reading.ReasonMalformed, "both or neither", 0},
		"run without seq":    {tags + "inside_temp_c=1" + stamp, reading.ReasonMalformed, "both or neither", 0},
		"bad run":            {"reading,station=lake-07,run=XYZ seq=5i" + stamp, reading.ReasonMalformed, "16 hex", 0},
		"1999":               {tags + "seq=5i 946684799000000000", reading.ReasonTime, "before 2000", 5},
		"future":             {tags + "seq=5i 1762301400000000001", reading.ReasonTime, "after the collector's clock", 5},
		"half a line":        {tags + "seq=5i,inside_te", reading.ReasonMalformed, "", 5},
		"newline in flags":   {tags + "seq=5i,flags=\"a", reading.ReasonMalformed, "", 5},
	}
	good := strings.SplitAfter(example, "\n")
	for name, c := range cases {
		t.Run(name, func(t *testing.T) {
			b := reading.Decode("lake-07", []byte(good[0]+c.line+"\n"+good[1]), now)
			require.Len(t, b.Readings, 2, "the neighbours stay")
			require.Len(t, b.Refused, 1)
			ref := b.Refused[0]
			require.Equal(t, c.reason, ref.Reason)
			require.Contains(t, ref.Detail, c.detail)
			require.Equal(t, 2, ref.Line)
			require.Equal(t, c.line, string(ref.Raw))
			require.Equal(t, c.seq, ref.Seq)
			if c.reason == reading.ReasonTime {
				require.NotNil(t, ref.Reading)
				require.Equal(t, int64(5), ref.Reading.Seq)
			}
		})
	}
}

func TestValuesThatAreRefusedAlone(t *testing.T) {
	for _, value := range []string{"95.01", "-60.01", "1e308", "1e999", "0x1p3", "1_0", "true", `"warm"`, "600u"} {
		line := "reading,station=a inside_temp_c=" + value + ",inside_rh_pct=80 1762300800000000000\n"
		b := reading.Decode("a", []byte(line), now)
		require.Len(t, b.Readings, 1, value)
		require.False(t, b.Readings[0].Has(reading.InsideTemp), value)
		require.True(t, b.Readings[0].Has(reading.InsideRH), value)
		require.Equal(t, 1, b.RefusedValues[reading.InsideTemp], value)
	}
	for value, want := range map[string]float64{"-60": -60, "95": 95, "11i": 11, "11u": 11, "-0": 0, "5e-324": 5e-324, "1.1e1": 11} {
		line := "reading,station=a inside_temp_c=" + value + " 1762300800000000000\n"
		b := reading.Decode("a", []byte(line), now)
		require.Len(t, b.Readings, 1, value)
		v, ok := b.Readings[0].Get(reading.InsideTemp)
		require.True(t, ok, value)
		require.Equal(t, want, v)
		require.False(t, want == 0 && math.Signbit(v))
	}
	b := reading.Decode("a", []byte("reading,station=a,owner=x inside_temp_c=1,brightness=3,colour=\"red\" 1762300800000000000\n"), now)
	require.Len(t, b.Readings, 1)
	require.Equal(t, 3, b.UnknownFields)
}

func TestReadingWithoutUsableValueIsStillOne(t *testing.T) {
	b := reading.Decode("a", []byte("reading,station=a,run=9f31c2aa07de4410 seq=9i 1762300800000000000\n"), now)
	require.Len(t, b.Readings, 1)
	require.Zero(t, b.Readings[0].Present())
}

func TestOversizeMessage(t *testing.T) {
	b := reading.Decode("a", bytes.Repeat([]byte{'x'}, 64<<10+1), now)
	require.Empty(t, b.Readings)
	require.Len(t, b.Refused, 1)
	require.Equal(t, reading.ReasonOversize, b.Refused[0].Reason)
	require.Contains(t, b.Refused[0].Detail, "65537 bytes")
}

// Whatever comes in: every non-empty line becomes a reading or a refusal, and
// what is accepted is encoded and decoded to the same.
func FuzzDecode(f *testing.F) {
	f.Add([]byte(example))
	f.Add([]byte("reading,station=lake-07 inside_temp_c=1,flags=\"a\nb\" 1762300800000000000\nreading"))
	f.Add([]byte("# comment\r\n\r\n\x00"))
	f.Fuzz(func(t *testing.T, payload []byte) {
		b := reading.Decode("lake-07", payload, now)
		for i := range b.Readings {
			r := &b.Readings[i]
			for c := range reading.NumChannels {
				v, ok := r.Get(c)
				require.True(t, !ok || reading.InRange(c, v))
			}
			if r.Present() == 0 && r.Flags == "" && !r.Keyed() {
				continue
			}
			line, err := reading.AppendLine(nil, "lake-07", r, 0)
			require.NoError(t, err)
			again := reading.Decode("lake-07", line, now)
			require.Empty(t, again.Refused)
			require.Equal(t, []reading.Reading{*r}, again.Readings)
		}
		for _, ref := range b.Refused {
			require.NotEmpty(t, ref.Detail)
			require.NotEmpty(t, ref.Raw)
		}
	})
}

func batchOf(n int) []byte {
	var payload []byte
	for i := range n {
		r := reading.Reading{Time: now - unit.Instant(i)*60e9, Run: "9f31c2aa07de4410", Seq: int64(i + 1)}
		for c, v := range map[reading.Channel]float64{
			reading.InsideTemp: 11.42, reading.InsideRH: 88.31, reading.BoardTemp: 10.97,
			reading.OutsideTemp: 9.8, reading.OutsideRH: 93.1, reading.LineCurrent: 11.873,
		} {
			r.Set(c, v)
		}
		line, err := reading.AppendLine(nil, "lake-07", &r, 0)
		if err != nil {
			panic(err)
		}
		payload = append(payload, line...)
	}
	return payload
}

// BenchmarkDecode gives decoding with validation as a ratio to the bare codec
// that walks the same bytes and parses every value.
func BenchmarkDecode(b *testing.B) {
	const n = 60
	payload := batchOf(n)
	var floor time.Duration
	for b.Loop() {
		began := time.Now()
		d := lineprotocol.NewDecoderWithBytes(payload)
		for d.Next() {
			if _, err := d.Measurement(); err != nil {
				b.Fatal(err)
			}
			for {
				k, _, err := d.NextTag()
				if err != nil {
					b.Fatal(err)
				}
				if k == nil {
					break
				}
			}
			for {
				k, _, err := d.NextField()
				if err != nil {
					b.Fatal(err)
				}
				if k == nil {
					break
				}
			}
			if _, err := d.Time(lineprotocol.Nanosecond, time.Time{}); err != nil {
				b.Fatal(err)
			}
		}
		floor += time.Since(began)
		if got := reading.Decode("lake-07", payload, now); len(got.Readings) != n {
			b.Fatal(got.Refused)
		}
	}
	whole := b.Elapsed() - floor
	b.ReportMetric(float64(whole)/float64(floor), "x_codec")
	b.ReportMetric(float64(whole)/float64(b.N)/n, "ns/reading")
}
