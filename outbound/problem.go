package outbound

import (
	"strconv"

	"tidegate/poct"
)

func problem(code, field, text, remedy string) *poct.Problem {
	return &poct.Problem{Code: code, Severity: poct.Hold, Field: field, Text: text, Remedy: remedy}
}

func problemPatientUnknown(outlet string) *poct.Problem {
	return problem("record-patient-unknown", poct.FieldPatient,
		"The record system behind outlet "+outlet+" knows no patient with this identifier.",
		"Have the patient registered there, or correct the identifier here, then send again.")
}

func problemPatientAmbiguous(outlet string) *poct.Problem {
	return problem("record-patient-ambiguous", poct.FieldPatient,
		"The record system behind outlet "+outlet+" knows several patients with this identifier.",
		"Have them merged or told apart there, then send again.")
}

func problemPatientLoop(outlet string) *poct.Problem {
	return problem("record-patient-ambiguous", poct.FieldPatient,
		"At outlet "+outlet+" this patient was merged, and the links of the merge lead nowhere.",
		"Have the merge put right there, then send again.")
}

func problemPatientInactive(outlet string) *poct.Problem {
	return problem("record-patient-inactive", poct.FieldPatient,
		"The record system behind outlet "+outlet+" no longer uses this patient's record.",
		"Find out which record is in use now, correct the identifier, then send again.")
}

func problemPatientDiffers(outlet string) *poct.Problem {
	return problem("record-patient-differs", poct.FieldPatient,
		"At outlet "+outlet+" this identifier belongs to somebody with another birth date or family name.",
		"Compare both records with the patient. Correct the identifier, or have the wrong record put right, then send again.")
}

func problemNoSystem(outlet string) *poct.Problem {
	return problem("record-configuration", poct.FieldPatient,
		"No identifier system is configured for the authority of this patient's identifier, so outlet "+outlet+" cannot look the patient up.",
		"Add the authority under registry.identifier_systems, then send again.")
}

func problemRefused(outlet, why string) *poct.Problem {
	text := "The record system behind outlet " + outlet + " does not take this result"
	if why != "" {
		text += ": " + why
	}
	return problem("record-refused", poct.FieldMessage, text+".",
		"Compare the bytes sent with what the record system asks for. Mend the profile or the registry, then send again.")
}

func problemConfiguration(outlet string, status int) *poct.Problem {
	return problem("record-configuration", poct.FieldMessage,
		"The record system behind outlet "+outlet+" does not offer what was asked of it (status "+strconv.Itoa(status)+").",
		"Check base_url and what the record system supports, then send again.")
}

func problemNoWay(outlet string) *poct.Problem {
	return problem("record-configuration", poct.FieldMessage,
		"The record system behind outlet "+outlet+" offers no way to create a result just once: neither ids of ours nor conditional creation stand in its CapabilityStatement.",
		"Have one of the two switched on there. If it does offer one and does not say so, write mode: put or mode: single. Then send again.")
}

func problemNoVersions(outlet string) *poct.Problem {
	return problem("record-no-versions", poct.FieldMessage,
		"The record system behind outlet "+outlet+" names no versions, so that a change from here could write over somebody else's.",
		"Correct or withdraw the copy there by hand. Have versions switched on there.")
}

func problemAmbiguous(outlet string) *poct.Problem {
	return problem("record-ambiguous", poct.FieldMessage,
		"The record system behind outlet "+outlet+" holds this result more than once.",
		"Have the extra copies withdrawn there, then send again.")
}

func problemDiffers(outlet string) *poct.Problem {
	return problem("record-differs", poct.FieldMessage,
		"The record system behind outlet "+outlet+" already holds a result under this identifier, and it says something else.",
		"Compare both, find out who wrote the other one, and have the wrong one withdrawn. Then send again.")
}

func problemOvertaken(outlet string) *poct.Problem {
	return problem("record-overtaken", poct.FieldMessage,
		"The copy behind outlet "+outlet+" was changed there since it was sent. It was not written over.",
		"Compare the copy there with the versions here and decide which one stands.")
}

func problemGone(outlet string) *poct.Problem {
	return problem("record-gone", poct.FieldMessage,
		"The copy behind outlet "+outlet+" is no longer there.",
		"Find out who removed it. Send again only if it has to be there.")
}

func problemUnrendered(outlet string) *poct.Problem {
	return problem("record-unrendered", poct.FieldMessage,
		"This result cannot be written down for outlet "+outlet+".",
		"The log names the reason under this result's id. Mend the profile or the registry, then send again.")
}

func problemSharedTwice(outlet, typ string) *poct.Problem {
	return problem("record-ambiguous", poct.FieldMeter,
		"The record system behind outlet "+outlet+" holds several "+typ+" resources under the identifier that this result refers to.",
		"Have the extra ones removed there, then send again.")
}
