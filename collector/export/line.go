package export

import (
	"fmt"

	"github.com/influxdata/line-protocol/v2/lineprotocol"

	"dewpost/rules/exposure"
	"dewpost/rules/reading"
)

// An hour as line protocol: measurement hour, tag station, the start of the hour
// as the time (ns), and the columns of the hourly table as fields: numbers, and
// basis as text. What a row of the table leaves blank is no field: cover_wet_s
// and salt_wet_s unless the fields cover and salt are true; means and margin
// where known_s is 0. rules is the version of the rules that it was made by.
const hourMeasurement = "hour"

// AppendHourLine appends an hour of a station as line protocol.
func AppendHourLine(dst []byte, station string, h *exposure.Hour) ([]byte, error) {
	var e lineprotocol.Encoder
	e.SetLax(true) // fields in the order of the table
	e.SetBuffer(dst)
	e.StartLine(hourMeasurement)
	e.AddTag("station", station)
	number := func(name string, x float64) {
		if v, ok := lineprotocol.FloatValue(x); ok { // not NaN
			e.AddField(name, v)
		}
	}
	for i, ns := range [...]int64{
		h.Known, h.Unknown, h.Condensing, h.CondensingLow, h.CondensingHigh,
		h.AtRisk, h.AtRiskLow, h.AtRiskHigh, h.Tow, h.Frost, h.Thaw,
	} {
		number(exposure.HourlyColumns[1+i], float64(ns)/1e9)
	}
	e.AddField("cover", lineprotocol.BoolValue(h.HasCover))
	if h.HasCover {
		number("cover_wet_s", float64(h.CoverWet)/1e9)
	}
	e.AddField("salt", lineprotocol.BoolValue(h.HasSalt))
	if h.HasSalt {
		number("salt_wet_s", float64(h.SaltWet)/1e9)
	}
	number("dose_h_eq", float64(h.Dose)/1e9)
	basis, _ := lineprotocol.StringValue(h.Basis.String())
	e.AddField("basis", basis)
	number("inside_temp_c_mean", h.InsideTempMean)
	number("inside_rh_pct_mean", h.InsideRHMean)
	number("margin_k_min", h.MarginMin)
	e.AddField("rules", lineprotocol.IntValue(int64(h.Rules)))
	e.EndLine(h.Start.Time())
	if err := e.Err(); err != nil {
		return dst, fmt.Errorf("encode hour %s of %s: %w", h.Start, station, err)
	}
	return e.Bytes(), nil
}

// AppendReadingLine appends a reading of a station as line protocol; nothing for
// one with nothing in it, which line protocol can't say.
func AppendReadingLine(dst []byte, station string, r *reading.Reading) ([]byte, error) {
	if !r.Keyed() && r.Present() == 0 && r.Flags == "" {
		return dst, nil
	}
	return reading.AppendLine(dst, station, r, 0)
}
