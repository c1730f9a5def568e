package moistair

import "dewpost/rules/unit"

// HouseExcess bounds the vapour pressure by which a house is moister than air outdoors
// of a temperature and vapour pressure: 8.1 hPa at 0 °C and below, falling linearly to a
// tenth of it at 18 °C and above (the tenth is a judgement value), or what makes it 20 °C
// and 55 %RH, in weather that is dry for its warmth (judgement value: a house that is
// kept comfortable).
//
// Source: [ISO13788] border between the third humidity class, of homes with many people in them, and the fourth, of laundries and sports halls
func HouseExcess(outdoors unit.Celsius, vapour unit.Hectopascal) unit.Hectopascal {
	const most, comfort = 8.1, 12.9
	return max(most*unit.Hectopascal(min(1, max(0.1, 1-outdoors/20))), min(most, comfort-vapour))
}
