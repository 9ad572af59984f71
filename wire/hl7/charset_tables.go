package hl7

// The upper halves of the single-byte character sets, from the mapping tables
// that the Unicode Consortium publishes (ISO8859/8859-N.TXT,
// VENDORS/MICSFT/WINDOWS/CP1252.TXT). U+FFFD marks a byte that a set does not
// define; it is never put out.
//
// The ISO 8859 rows cover A0 to FF: 80 to 9F are the C1 controls in all of
// them. The windows-1252 row covers 80 to FF.
var iso8859 = map[Charset][]rune{
	Latin1: []rune("" +
		"\u00a0¡¢£¤¥¦§¨©ª«¬\u00ad®¯" +
		"°±²³´µ¶·¸¹º»¼½¾¿" +
		"ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏ" +
		"ÐÑÒÓÔÕÖ×ØÙÚÛÜÝÞß" +
		"àáâãäåæçèéêëìíîï" +
		"ðñòóôõö÷øùúûüýþÿ"),
	Latin2: []rune("" +
		"\u00a0Ą˘Ł¤ĽŚ§¨ŠŞŤŹ\u00adŽŻ" +
		"°ą˛ł´ľśˇ¸šşťź˝žż" +
		"ŔÁÂĂÄĹĆÇČÉĘËĚÍÎĎ" +
		"ĐŃŇÓÔŐÖ×ŘŮÚŰÜÝŢß" +
		"ŕáâăäĺćçčéęëěíîď" +
		"đńňóôőö÷řůúűüýţ˙"),
	Latin3: []rune("" +
		"\u00a0Ħ˘£¤\ufffdĤ§¨İŞĞĴ\u00ad\ufffdŻ" +
		"°ħ²³´µĥ·¸ışğĵ½\ufffdż" +
		"ÀÁÂ\ufffdÄĊĈÇÈÉÊËÌÍÎÏ" +
		"\ufffdÑÒÓÔĠÖ×ĜÙÚÛÜŬŜß" +
		"àáâ\ufffdäċĉçèéêëìíîï" +
		"\ufffdñòóôġö÷ĝùúûüŭŝ˙"),
	Latin4: []rune("" +
		"\u00a0ĄĸŖ¤ĨĻ§¨ŠĒĢŦ\u00adŽ¯" +
		"°ą˛ŗ´ĩļˇ¸šēģŧŊžŋ" +
		"ĀÁÂÃÄÅÆĮČÉĘËĖÍÎĪ" +
		"ĐŅŌĶÔÕÖ×ØŲÚÛÜŨŪß" +
		"āáâãäåæįčéęëėíîī" +
		"đņōķôõö÷øųúûüũū˙"),
	Cyrillic: []rune("" +
		"\u00a0ЁЂЃЄЅІЇЈЉЊЋЌ\u00adЎЏ" +
		"АБВГДЕЖЗИЙКЛМНОП" +
		"РСТУФХЦЧШЩЪЫЬЭЮЯ" +
		"абвгдежзийклмноп" +
		"рстуфхцчшщъыьэюя" +
		"№ёђѓєѕіїјљњћќ§ўџ"),
	Arabic: []rune("" +
		"\u00a0\ufffd\ufffd\ufffd¤\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\u060c\u00ad\ufffd\ufffd" +
		"\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\u061b\ufffd\ufffd\ufffd\u061f" +
		"\ufffd\u0621\u0622\u0623\u0624\u0625\u0626\u0627\u0628\u0629\u062a\u062b\u062c\u062d\u062e\u062f" +
		"\u0630\u0631\u0632\u0633\u0634\u0635\u0636\u0637\u0638\u0639\u063a\ufffd\ufffd\ufffd\ufffd\ufffd" +
		"\u0640\u0641\u0642\u0643\u0644\u0645\u0646\u0647\u0648\u0649\u064a\u064b\u064c\u064d\u064e\u064f" +
		"\u0650\u0651\u0652\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd"),
	Greek: []rune("" +
		"\u00a0‘’£€₯¦§¨©ͺ«¬\u00ad\ufffd―" +
		"°±²³΄΅Ά·ΈΉΊ»Ό½ΎΏ" +
		"ΐΑΒΓΔΕΖΗΘΙΚΛΜΝΞΟ" +
		"ΠΡ\ufffdΣΤΥΦΧΨΩΪΫάέήί" +
		"ΰαβγδεζηθικλμνξο" +
		"πρςστυφχψωϊϋόύώ\ufffd"),
	Hebrew: []rune("" +
		"\u00a0\ufffd¢£¤¥¦§¨©×«¬\u00ad®¯" +
		"°±²³´µ¶·¸¹÷»¼½¾\ufffd" +
		"\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd" +
		"\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd\ufffd‗" +
		"\u05d0\u05d1\u05d2\u05d3\u05d4\u05d5\u05d6\u05d7\u05d8\u05d9\u05da\u05db\u05dc\u05dd\u05de\u05df" +
		"\u05e0\u05e1\u05e2\u05e3\u05e4\u05e5\u05e6\u05e7\u05e8\u05e9\u05ea\ufffd\ufffd\u200e\u200f\ufffd"),
	Latin5: []rune("" +
		"\u00a0¡¢£¤¥¦§¨©ª«¬\u00ad®¯" +
		"°±²³´µ¶·¸¹º»¼½¾¿" +
		"ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏ" +
		"ĞÑÒÓÔÕÖ×ØÙÚÛÜİŞß" +
		"àáâãäåæçèéêëìíîï" +
		"ğñòóôõö÷øùúûüışÿ"),
	Latin9: []rune("" +
		"\u00a0¡¢£€¥Š§š©ª«¬\u00ad®¯" +
		"°±²³Žµ¶·ž¹º»ŒœŸ¿" +
		"ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏ" +
		"ÐÑÒÓÔÕÖ×ØÙÚÛÜÝÞß" +
		"àáâãäåæçèéêëìíîï" +
		"ðñòóôõö÷øùúûüýþÿ"),
}

var windows1252 = []rune("" +
	"€\ufffd‚ƒ„…†‡ˆ‰Š‹Œ\ufffdŽ\ufffd" +
	"\ufffd‘’“”•–—˜™š›œ\ufffdžŸ" +
	"\u00a0¡¢£¤¥¦§¨©ª«¬\u00ad®¯" +
	"°±²³´µ¶·¸¹º»¼½¾¿" +
	"ÀÁÂÃÄÅÆÇÈÉÊËÌÍÎÏ" +
	"ÐÑÒÓÔÕÖ×ØÙÚÛÜÝÞß" +
	"àáâãäåæçèéêëìíîï" +
	"ðñòóôõö÷øùúûüýþÿ")
