// The poses of setting up, drawn for a right arm's side view; the page mirrors them for the other arm.
// Ink is the arm, blue the hand, yellow the ruler, filled boxes the sensors.

const sensor = (x, y, turn = 0) =>
  `<rect class="sensor" x="${x - 11}" y="${y - 8}" width="22" height="16" rx="3" transform="rotate(${turn} ${x} ${y})"/>`;
const ruler = (x, y, length) => {
  const ticks = Array.from({ length: Math.floor(length / 12) }, (_, i) => `M${x + 8 + 12 * i} ${y}v6`).join("");
  return `<rect class="ruler" x="${x}" y="${y}" width="${length}" height="15"/><path class="thin" d="${ticks}"/>`;
};
const ground = (y) => `<path class="thin dashed" d="M20 ${y}H300"/>`;

// Upper arm down, elbow square, forearm level to the right.
const upperArm = `<path class="sleeve" d="M34 8H92L86 62H40Z"/><path class="limb" d="M44 62H82V96Q82 118 100 118H206V150H84Q46 150 46 112Z"/>`;
const thumbUp = `<path class="hand" d="M206 118H222Q226 84 234 84Q244 84 241 118H286Q297 121 290 129Q298 134 290 140Q292 149 280 150H206Z"/><path class="hand" d="M252 129H290M252 140H290"/>`;
const clubUp = `<path class="club" d="M234 152L268 30"/><path class="head" d="M262 34L270 8L282 12L272 36Z"/>`;

const POSES = {
  club_square: `${ground(150)}<path class="club" d="M150 20V138"/><path class="head" d="M142 136H178Q186 150 174 150H142Z"/>
    <path class="thin dashed" d="M226 30V150M206 90H300"/><path class="head" d="M220 70H232V108H220Z"/><path class="thin" d="M232 90h10v-10"/>${sensor(150, 44, 90)}`,
  club_hang: `<path class="hand" d="M120 24Q140 12 150 26L152 44M192 24Q172 12 162 26L160 44"/><path class="club" d="M156 30V142"/>
    <path class="head" d="M148 140H184Q192 154 180 154H148Z"/><path class="thin" d="M92 92h24M196 92h24M110 84l8 8-8 8M202 84l-8 8 8 8"/>${sensor(156, 62, 90)}`,
  hang: `<path class="sleeve" d="M132 4H188L184 44H136Z"/><path class="limb" d="M140 44H180L176 118H146Z"/>
    <path class="hand" d="M146 118H176L178 150Q176 172 162 172Q148 172 146 150ZM176 122Q192 128 190 146Q186 150 178 142"/>${sensor(161, 100, 90)}${sensor(161, 134, 90)}`,
  handshake: `${upperArm}${thumbUp}${ruler(108, 144, 176)}${sensor(186, 131)}${sensor(224, 131)}`,
  bends: `<path class="limb" d="M20 76H170V112H20Z"/><path class="hand" d="M170 76H228Q244 80 244 94Q244 108 228 112H170Z"/>
    <path class="ghost" d="M170 76L222 40Q238 36 244 50Q246 62 232 70L170 112M170 76L232 118Q246 126 244 138Q238 152 222 148L170 112"/>
    <path class="thin" d="M268 56v76M260 66l8-10 8 10M260 122l8 10 8-10"/>${sensor(150, 94)}${sensor(190, 94)}`,
  rolls: `<path class="limb" d="M20 76H190V112H20Z"/><path class="hand" d="M190 76H238Q252 80 252 94Q252 108 238 112H190Z"/>
    <path class="thin" d="M84 62Q112 34 140 62M76 56l8 6 8-8M148 56l-8 6-8-8M84 126Q112 154 140 126"/>${sensor(168, 94)}${sensor(210, 94)}`,
  grip_flat: `${clubUp}${upperArm}<path class="hand" d="M206 116H238Q258 118 258 134Q258 150 238 152H206Z"/>${ruler(108, 144, 144)}${sensor(186, 131)}${sensor(224, 131)}${sensor(254, 82, -74)}`,
};
POSES.handshake_2 = POSES.handshake;

export function drawPose(element, key, mirrored) {
  if (element.dataset.pose === key + mirrored) return;
  element.dataset.pose = key + mirrored;
  element.innerHTML = POSES[key] || "";
  element.style.transform = mirrored ? "scaleX(-1)" : "";
}
