/* Codes of PS3.16 that the report reader and writer share. */
#ifndef PRIVATE_DICOM_CODES_H
#define PRIVATE_DICOM_CODES_H

#include <cstddef>

struct ogv_sr_code {
  const char *value, *scheme, *meaning;
};

/* Our private coding scheme, for quantities that have no standard code. */
#define OGV_SCHEME "99OGIVE"

namespace ogv_codes {
constexpr ogv_sr_code report{"125000", "DCM", "OB-GYN Ultrasound Procedure Report"},
    language{"121049", "DCM", "Language of Content Item and Descendants"}, english{"en", "RFC5646", "English"},
    observer_type{"121005", "DCM", "Observer Type"}, person{"121006", "DCM", "Person"},
    device{"121007", "DCM", "Device"}, person_name{"121008", "DCM", "Person Observer Name"},
    device_uid{"121012", "DCM", "Device Observer UID"}, device_name{"121013", "DCM", "Device Observer Name"},
    image_library{"111028", "DCM", "Image Library"}, summary{"121111", "DCM", "Summary"},
    fetus_summary{"125008", "DCM", "Fetus Summary"}, ratios{"125001", "DCM", "Fetal Biometry Ratios"},
    biometry{"125002", "DCM", "Fetal Biometry"}, long_bones{"125003", "DCM", "Fetal Long Bones"},
    cranium{"125004", "DCM", "Fetal Cranium"}, group{"125005", "DCM", "Biometry Group"},
    early{"125009", "DCM", "Early Gestation"}, pelvis{"125011", "DCM", "Pelvis and Uterus"},
    findings{"121070", "DCM", "Findings"}, finding_site{"363698007", "SCT", "Finding Site"},
    pelvic_vessels{"281496003", "SCT", "Pelvic vascular structure"},
    fetal_vessels{"51852003", "SCT", "Embryonic vascular structure"}, amnion{"70847004", "SCT", "Structure of amnion"},
    heart{"80891009", "SCT", "Heart"}, laterality{"272741003", "SCT", "Laterality"}, left{"7771000", "SCT", "Left"},
    right{"24028007", "SCT", "Right"}, subject_class{"121024", "DCM", "Subject Class"}, fetus{"121026", "DCM", "Fetus"},
    subject_id{"121030", "DCM", "Subject ID"}, fetus_id{"11951-1", "LN", "Fetus ID"},
    number_of_fetuses{"11878-6", "LN", "Number of Fetuses"}, lmp{"8665-2", "LN", "LMP"}, edd{"11778-8", "LN", "EDD"},
    derivation{"121401", "DCM", "Derivation"}, mean{"373098007", "SCT", "Mean"}, path{"121055", "DCM", "Path"},
    source{"121112", "DCM", "Source of Measurement"}, method{"370129005", "SCT", "Measurement Method"};
}  // namespace ogv_codes

#endif
