// Package crc8 is the checksum of the SHT3x and SHT4x: polynomial 0x31
// (x⁸+x⁵+x⁴+1), initial value 0xFF, no reflection, no final XOR.
package crc8

import "fmt"

// Sum returns the checksum.
//
// Source: SHT3x-DIS datasheet, version 5, May 2018, section 4.12, table 20:
// 0xBEEF gives 0x92.
func Sum(data []byte) byte {
	crc := byte(0xff)
	for _, b := range data {
		crc ^= b
		for range 8 {
			if crc&0x80 != 0 {
				crc = crc<<1 ^ 0x31
			} else {
				crc <<= 1
			}
		}
	}
	return crc
}

// Words takes a reply apart: 16-bit words, high byte first, each followed by
// its checksum. The first wrong one is an error.
func Words(reply []byte) ([]uint16, error) {
	words := make([]uint16, 0, len(reply)/3)
	for ; len(reply) >= 3; reply = reply[3:] {
		if want := Sum(reply[:2]); reply[2] != want {
			return nil, fmt.Errorf("checksum of word %d is 0x%02X, not 0x%02X: the bytes % X were disturbed on the bus", len(words)+1, reply[2], want, reply[:2])
		}
		words = append(words, uint16(reply[0])<<8|uint16(reply[1]))
	}
	return words, nil
}
