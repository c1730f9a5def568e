package exposure

import (
	"math"
	"strconv"
	"time"
)

// HourlyColumns are the columns of an hourly table, in order.
var HourlyColumns = []string{
	"hour", "known_s", "unknown_s", "condensing_s", "condensing_low_s", "condensing_high_s",
	"at_risk_s", "at_risk_low_s", "at_risk_high_s", "tow_s", "frost_s", "thaw_s", "cover_wet_s", "salt_wet_s",
	"dose_h_eq", "basis", "inside_temp_c_mean", "inside_rh_pct_mean", "margin_k_min",
}

// AppendHourly appends the hour's row of an hourly table, newline included.
// Seconds and dose have nine decimals and are exact; other numbers are in
// their shortest form; what is absent is blank.
func AppendHourly(dst []byte, h *Hour) []byte {
	dst = h.Start.Time().AppendFormat(dst, time.RFC3339)
	for _, ns := range [...]int64{
		h.Known, h.Unknown, h.Condensing, h.CondensingLow, h.CondensingHigh,
		h.AtRisk, h.AtRiskLow, h.AtRiskHigh, h.Tow, h.Frost, h.Thaw,
	} {
		dst = AppendNano(append(dst, ','), ns)
	}
	dst = append(dst, ',')
	if h.HasCover {
		dst = AppendNano(dst, h.CoverWet)
	}
	dst = append(dst, ',')
	if h.HasSalt {
		dst = AppendNano(dst, h.SaltWet)
	}
	dst = AppendNano(append(dst, ','), h.Dose)
	dst = append(append(dst, ','), h.Basis.String()...)
	for _, x := range [...]float64{h.InsideTempMean, h.InsideRHMean, h.MarginMin} {
		dst = append(dst, ',')
		if !math.IsNaN(x) {
			dst = strconv.AppendFloat(dst, x, 'g', -1, 64)
		}
	}
	return append(dst, '\n')
}

// AppendNano appends n·1e-9 with exactly nine decimals.
func AppendNano(dst []byte, n int64) []byte {
	if n < 0 {
		dst = append(dst, '-')
		n = -n
	}
	dst = strconv.AppendInt(dst, n/1e9, 10)
	frac := strconv.AppendInt(nil, 1e9+n%1e9, 10)
	return append(append(dst, '.'), frac[1:]...)
}
