"""Cautions: what is said of danger, short at the foot of a card and whole on the binder's last page.

Decides the words once, so that card and binder never differ. They are common practice, no source,
and say themselves who decides. No number for eyewear is given: the only one that counts is marked
on it.
"""

RAGS = ("Rags with oil or solvent catch fire by themselves in a heap: lay them out flat outdoors to dry, or keep them "
        "under water in a metal can with a lid.")
MASK = ("Know what the mask is made of: one that holds chlorine (PVC, vinyl) gives off hydrogen chloride, which harms lungs and "
        "machine. Paper and glue smoulder: stay beside the burn, and extract.")
COATING = ("Never burn through a coating you do not know: have its data sheet. None that holds chlorine or fluorine, no old paint, no "
           "polyurethane (isocyanates, hydrogen cyanide). Solvent left in a coat that is not cured catches fire.")
RESIN_ON_A_CARD = ("Resin", "Gloves, eye protection, moving air. Mix little: a full cup gets hot, smokes and may burn.")
RESIN = ("Resin and hardener: gloves, eye protection, moving air; an allergy to them stays for life. Mixed resin in a full cup gets "
         "hot, smokes and may burn: mix little, and let what is left cure spread thin. Never under the beam.")
ON_A_CARD = (
    ("Beam", "Class 4: keep it in its enclosure. Choose eyewear by the optical density marked for "
             "{wavelength}, never by tint. Everyone in the room wears it unless the enclosure hides the beam."),
    ("Fire", "Never leave a burn unattended. Extinguisher in reach. A flare: beam off, air off, lid shut "
             "until it is out. Look again for smoulder, in the wood and in the waste."),
    ("Fumes", "Extract outdoors or through a filter made for it. Never burn PVC, vinyl, treated "
              "stock or an unknown coating."),
    ("Dust, solvents", "Extract sanding dust, wear a respirator: some woods' dust causes cancer. No "
                       "flame near solvent; lay rags out flat outdoors to dry."),
    ("Who decides", "Local codes, the makers' manuals and a laser safety officer, not this card."),
)
IN_THE_BINDER = (
    ("Beam and eyewear", (
        "Class 4: the beam, and what a shiny surface throws back, blinds and burns. Keep it in its "
        "enclosure, with the interlocks working.",
        "Choose eyewear by the wavelength and optical density marked on it for {wavelength}, never by "
        "tint. Everyone in the room wears it unless the enclosure hides the beam.",
    )),
    ("Fire", (
        "Never leave a burn unattended. Extinguisher in reach, the bed clean of offcuts.",
        "A flare: beam off, air off, lid shut until it is out. Let the board cool between passes.",
        "Look again for smoulder after the job, in the wood and in the waste. Chips and dust go out "
        "of the building in a closed metal bin.",
    )),
    ("Fumes", (
        "Extract outdoors, or through a filter made for it, while the beam is on and until the "
        "smoke is gone.",
        "Never burn: PVC, vinyl, imitation leather, fluorinated plastics, ABS, polycarbonate, carbon "
        "fibre, wood treated against rot or fire, boards with unknown glue, any unknown coating.",
    )),
    ("Dust", (
        "Extract at the sander and wear a respirator for fine dust: some woods' dust causes cancer, "
        "and any fine dust in the air can explode.",
    )),
    ("Solvents and rags", (
        "No flame, spark or beam near solvent or wet paint. Air the room.",
        RAGS,
    )),
    ("Electricity and the lens", (
        "Module off and unplugged before the lens is touched, cleaned or changed, and before any "
        "cover comes off. Supplies hold their charge for a while after.",
        "Let the lens cool. Never look into the module.",
    )),
    ("Who decides", (
        "Local codes, the makers' manuals and a laser safety officer decide, not these cards.",
    )),
)
