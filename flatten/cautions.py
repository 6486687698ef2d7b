"""The usual cautions, chosen by what a job uses; local codes and trained staff decide."""

from collections.abc import Iterable

from flatten.records.material import Material, Ply

HEAD = (
    "These are the usual cautions of the trade. Local codes, makers' data sheets and trained staff"
    " decide."
)
WRAPPING = (
    "Wrapping a body: with consent, a guardian for minors; not with heart, lung or clotting"
    " illness, pregnancy, fainting, latex or adhesive allergy, wounds, or in heat. Over an"
    " old shirt, snug, never tight, on a half breath; never the neck or face; never alone: two helpers"
    " and a stop word, 20 to 30 minutes, knees unlocked. Check the colour of fingers and toes. At any"
    " faintness cut open first, then lie flat. Lay a guard strip under the cut line beforehand and"
    " cut with blunt-tipped bandage scissors, away from the skin."
)
BLADES = (
    "Blades and tools: guarded steel rule, the holding hand behind the blade, a cut-resistant"
    " glove, eye protection at punch, rivet and rotary tools; no loose hair, sleeves or"
    " gloves at a drum."
)
CEMENT = (
    "Contact cement: heavy, flammable vapour. Ventilate; no flame, spark or heat gun near until it"
    " has flashed off; gloves; an organic-vapour cartridge where ventilation is not enough. Let it"
    " cure before it meets skin."
)
DUST = "Sanding foam or leather: a fitted particle filter."
HOT_FOAM = "Heating foam: irritant fumes, use extraction; scalds and burns from hot tools and foam."
WET_LEATHER = "Wet-forming leather: scalds from hot water."
LASER = (
    "Lasers: never PVC or unknown faux leather (hydrogen chloride), chloroprene foam (the same),"
    " chrome-tanned leather (chromium) or polyurethane cloth (cyanide); EVA foam flares up. Never a"
    " burn test. Never unattended; extinguisher and extraction at hand."
)
RIVETS = "Rivets and eyelets: file burrs off the inside; some people react to nickel."
WEARING = (
    "Wearing: this is a costume, not protective equipment. It must come off in seconds without"
    " help; breakaway at the throat; edges clear of throat, armpit and the hollow of the knee; mind"
    " sight, stairs, heat and drink, and stage rules for flame."
)


def choose_cautions(
    plies: Iterable[tuple[Ply, Material]], fixings: Iterable[str]
) -> tuple[str, ...]:
    """The cautions that apply to these plies and the fixings of their seams."""
    families = {material.family for _, material in plies}
    fixings = set(fixings)
    chosen = [HEAD, WRAPPING, BLADES]
    if "glue" in fixings:
        chosen.append(CEMENT)
    if families & {"foam", "leather"}:
        chosen.append(DUST)
    if "foam" in families:
        chosen.append(HOT_FOAM)
    if "leather" in families:
        chosen.append(WET_LEATHER)
    if families != {"card"}:
        chosen.append(LASER)
    if fixings & {"rivet", "lace"}:
        chosen.append(RIVETS)
    return (*chosen, WEARING)
