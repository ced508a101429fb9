"""Blender's Cycles as the light: maps and mounds become a scene, lamps and a phone are set up, one picture is traced.

One thread, few samples; units are mm. The renderer runs in an environment of its own: `pip install bpy` (5.0 with
Python 3.11), which brings numpy, and opencv-python-headless beside it.
"""

from __future__ import annotations

import tempfile
from pathlib import Path
from typing import Any

import bpy
import numpy as np
import room
from draws import Scene
from grounds import Maps
from mathutils import Matrix, Vector
from mathutils.geometry import tessellate_polygon
from mounds import Mound
from numpy.typing import NDArray

SAMPLES = 4


def begun() -> None:
    bpy.ops.wm.read_factory_settings(use_empty=True)
    scene = bpy.context.scene
    scene.render.engine = "CYCLES"
    scene.render.threads_mode, scene.render.threads = "FIXED", 1
    cycles = scene.cycles
    cycles.device = "CPU"
    cycles.samples = SAMPLES
    cycles.use_adaptive_sampling = False
    cycles.max_bounces, cycles.diffuse_bounces, cycles.glossy_bounces = 3, 2, 2
    cycles.caustics_reflective = cycles.caustics_refractive = False
    cycles.sample_clamp_indirect = 8.0
    cycles.use_denoising = True
    cycles.denoiser = "OPENIMAGEDENOISE"
    cycles.denoising_prefilter = "NONE"
    cycles.denoising_quality = "FAST"
    scene.view_settings.view_transform = "Raw"
    scene.render.image_settings.file_format = "OPEN_EXR"
    scene.render.image_settings.color_depth = "32"


def shape_of(name: str, vertices: NDArray, faces: NDArray, material: Any, smooth: bool = True) -> Any:
    mesh = bpy.data.meshes.new(name)
    mesh.vertices.add(len(vertices))
    mesh.vertices.foreach_set("co", np.asarray(vertices, np.float32).ravel())
    count, sides = faces.shape
    mesh.loops.add(count * sides)
    mesh.loops.foreach_set("vertex_index", np.asarray(faces, np.int32).ravel())
    mesh.polygons.add(count)
    mesh.polygons.foreach_set("loop_start", np.arange(0, count * sides, sides, dtype=np.int32))
    mesh.update(calc_edges=True)
    mesh.validate()
    if smooth:
        mesh.polygons.foreach_set("use_smooth", np.ones(len(mesh.polygons), bool))
    mesh.materials.append(material)
    made = bpy.data.objects.new(name, mesh)
    bpy.context.collection.objects.link(made)
    return made


def slab(outline: NDArray, thick_mm: float, material: Any) -> None:
    """A board `thick_mm` thick whose face lies at height 0."""
    count = len(outline)
    face = [Vector((x, y, 0)) for x, y in outline]
    top = np.array(tessellate_polygon([face]))
    t = np.arange(count)
    after = (t + 1) % count
    walls = np.concatenate(
        [np.column_stack([t, after, t + count]), np.column_stack([after, after + count, t + count])]
    )
    vertices = np.concatenate([np.column_stack([outline, np.full(count, z)]) for z in (0.0, -thick_mm)])
    shape_of("board", vertices, np.concatenate([top, walls]), material, smooth=False)


def _picture(name: str, pixels: NDArray) -> Any:
    high, wide = pixels.shape[:2]
    image = bpy.data.images.new(name, wide, high, float_buffer=True, is_data=True)
    full = np.ones((high, wide, 4), np.float32)
    full[..., :3] = pixels
    image.pixels.foreach_set(full.ravel())
    image.update()
    return image


def _nodes(name: str) -> tuple[Any, Any, Any]:
    material = bpy.data.materials.new(name)
    material.use_nodes = True
    return material, material.node_tree, material.node_tree.nodes["Principled BSDF"]


def plain(name: str, grey: float, roughness: float = 0.6) -> Any:
    material, _, surface = _nodes(name)
    surface.inputs["Base Color"].default_value = (grey, grey, grey, 1)
    surface.inputs["Roughness"].default_value = roughness
    return material


def ground_material(maps: Maps) -> Any:
    material, tree, surface = _nodes("ground")
    place = tree.nodes.new("ShaderNodeTexCoord")
    scale = tree.nodes.new("ShaderNodeMapping")
    wide, high = maps.size_mm
    scale.inputs["Location"].default_value = (-maps.low_mm[0] / wide, -maps.low_mm[1] / high, 0)
    scale.inputs["Scale"].default_value = (1 / wide, 1 / high, 1)
    tree.links.new(place.outputs["Object"], scale.inputs["Vector"])
    pictures = {}
    packed = np.dstack([maps.metal, maps.rough, maps.height_mm])
    for name, pixels in (("colour", maps.colour), ("rest", packed)):
        node = tree.nodes.new("ShaderNodeTexImage")
        node.image, node.extension, node.interpolation = _picture(name, pixels), "EXTEND", "Cubic"
        tree.links.new(scale.outputs["Vector"], node.inputs["Vector"])
        pictures[name] = node
    parts = tree.nodes.new("ShaderNodeSeparateColor")
    tree.links.new(pictures["rest"].outputs["Color"], parts.inputs["Color"])
    bump = tree.nodes.new("ShaderNodeBump")
    bump.inputs["Distance"].default_value = 1.0
    tree.links.new(parts.outputs["Blue"], bump.inputs["Height"])
    tree.links.new(pictures["colour"].outputs["Color"], surface.inputs["Base Color"])
    tree.links.new(parts.outputs["Red"], surface.inputs["Metallic"])
    tree.links.new(parts.outputs["Green"], surface.inputs["Roughness"])
    tree.links.new(bump.outputs["Normal"], surface.inputs["Normal"])
    return material


def paste_material(paste: dict[str, Any]) -> Any:
    """Powder in flux: cells of a grain's size, each a little lighter or darker, bumped; a film of flux as a coat."""
    material, tree, surface = _nodes("paste")
    grey = paste["grey"] * (1 + np.array(paste["tint"]))
    surface.inputs["Metallic"].default_value = paste["metallic"]
    surface.inputs["Roughness"].default_value = paste["roughness"]
    surface.inputs["Coat Weight"].default_value = paste["film"]
    surface.inputs["Coat Roughness"].default_value = paste["film_roughness"]
    place = tree.nodes.new("ShaderNodeTexCoord")
    cells = tree.nodes.new("ShaderNodeTexVoronoi")
    cells.inputs["Scale"].default_value = 1 / paste["grain_mm"]
    tree.links.new(place.outputs["Object"], cells.inputs["Vector"])
    bump = tree.nodes.new("ShaderNodeBump")
    bump.invert = True
    bump.inputs["Strength"].default_value = paste["grain_strength"]
    bump.inputs["Distance"].default_value = paste["grain_mm"] * 0.5
    tree.links.new(cells.outputs["Distance"], bump.inputs["Height"])
    lumps = tree.nodes.new("ShaderNodeTexNoise")
    lumps.inputs["Scale"].default_value, lumps.inputs["Detail"].default_value = 1 / paste["lump_mm"], 1.0
    tree.links.new(place.outputs["Object"], lumps.inputs["Vector"])
    uneven = tree.nodes.new("ShaderNodeBump")
    uneven.inputs["Distance"].default_value = paste["lump_mm"] * paste["lump_slope"]
    tree.links.new(lumps.outputs[0], uneven.inputs["Height"])
    tree.links.new(uneven.outputs["Normal"], bump.inputs["Normal"])
    tree.links.new(bump.outputs["Normal"], surface.inputs["Normal"])
    shade = tree.nodes.new("ShaderNodeMapRange")
    shade.inputs["To Min"].default_value, shade.inputs["To Max"].default_value = 0.7, 1.3
    tree.links.new(cells.outputs["Color"], shade.inputs["Value"])
    tint = tree.nodes.new("ShaderNodeVectorMath")
    tint.operation = "SCALE"
    tint.inputs[0].default_value = grey.tolist()
    tree.links.new(shade.outputs["Result"], tint.inputs["Scale"])
    tree.links.new(tint.outputs["Vector"], surface.inputs["Base Color"])
    return material


def laid(mounds: list[Mound], paste: dict[str, Any]) -> None:
    """All mounds as one mesh; a hair's breadth into the ground, so that feet do not flicker."""
    vertices, faces, count = [], [], 0
    for mound in mounds:
        vertices.append(mound.vertices)
        faces.append(mound.faces + count)
        count += len(mound.vertices)
    if vertices:
        shape_of("paste", np.concatenate(vertices), np.concatenate(faces), paste_material(paste))


def lit(light: dict[str, Any], rng: np.random.Generator, about: tuple[float, float], eye_mm: float) -> None:
    world = bpy.data.worlds.new("room")
    bpy.context.scene.world = world
    world.use_nodes = True
    tree = world.node_tree
    picture = tree.nodes.new("ShaderNodeTexEnvironment")
    picture.image = _picture("room", room.room_picture(light, rng))
    tree.links.new(picture.outputs["Color"], tree.nodes["Background"].inputs["Color"])
    if light["kind"] in ("lamp", "two lamps", "window and lamp"):
        _lamp(light, about, light["azimuth"] + 40, light["elevation"], light["lamp_share"], light["warmth"])
    if light["kind"] == "two lamps":
        azimuth = light["azimuth"] + 40 + light["second_azimuth"]
        share = light["lamp_share"] * light["second_share"]
        _lamp(light, about, azimuth, light["second_elevation"], share, light["second_warmth"])
    if light["kind"] == "ring":
        _ring(light, about, min(light["ring_height_mm"], 0.9 * eye_mm))


def _lamp(
    light: dict[str, Any],
    about: tuple[float, float],
    azimuth: float,
    elevation: float,
    share: float,
    warmth: float,
) -> None:
    lamp = bpy.data.lights.new("lamp", "AREA")
    lamp.shape, lamp.size = "DISK", light["lamp_mm"]
    far = light["distance_mm"]
    # An area lamp of power P gives P / (π² … ) at a distance: irradiance P cos / (π far²); a room of radiance L gives π L.
    lamp.energy = share * np.pi * 0.4 * np.pi * far**2 / max(np.sin(np.radians(elevation)), 0.3)
    lamp.color = np.clip(room.warm(warmth), 0, 4).tolist()
    made = bpy.data.objects.new("lamp", lamp)
    a, e = np.radians([azimuth, elevation])
    towards = Vector((np.cos(a) * np.cos(e), np.sin(a) * np.cos(e), np.sin(e)))
    made.location = Vector((*about, 0)) + far * towards
    made.rotation_euler = towards.to_track_quat("Z", "Y").to_euler()
    bpy.context.collection.objects.link(made)


def _ring(light: dict[str, Any], about: tuple[float, float], height: float) -> None:
    material, _, surface = _nodes("ring")
    surface.inputs["Base Color"].default_value = (0, 0, 0, 1)
    colour = room.warm(light["warmth"])
    surface.inputs["Emission Color"].default_value = (*colour, 1)
    surface.inputs["Emission Strength"].default_value = (
        6 * light["lamp_share"] * (height / light["ring_mm"]) ** 2
    )
    theta = np.linspace(0, 2 * np.pi, 48, endpoint=False)
    circle = np.column_stack([np.cos(theta), np.sin(theta)])
    rings = [circle * light["ring_mm"] * share + about for share in (0.85, 1.0)]
    vertices = np.column_stack([np.concatenate(rings), np.full(96, height)])
    t = np.arange(48)
    faces = np.column_stack([t, t + 48, (t + 1) % 48 + 48, (t + 1) % 48])
    shape_of("ring", vertices, faces, material, smooth=False)


def eyed(scene: Scene, middle: tuple[float, float], size_mm: tuple[float, float]) -> NDArray:
    """The phone's camera over `middle`, seeing `size_mm`; and its body. Gives the 4×4 pose."""
    view = scene.view
    render = bpy.context.scene.render
    per_mm = float(np.sqrt(view["pixels"] / (size_mm[0] * size_mm[1])))
    render.resolution_x, render.resolution_y = (round(float(s) * per_mm / 2) * 2 for s in size_mm)
    camera = bpy.data.cameras.new("camera")
    camera.sensor_fit = "HORIZONTAL"
    far = view["distance_mm"]
    # The angle of view fixes lens over sensor; the lens is told in thousandths, since the scene is in mm.
    camera.lens = 1000 * view["lens_mm"]
    camera.sensor_width = camera.lens * size_mm[0] / far
    camera.clip_start, camera.clip_end = 1.0, 5000.0
    camera.dof.use_dof = True
    camera.dof.focus_distance = far + view["misfocus_mm"]
    camera.dof.aperture_fstop = view["f_number"]
    made = bpy.data.objects.new("camera", camera)
    bpy.context.collection.objects.link(made)
    bpy.context.scene.camera = made
    a, tilt = np.radians(view["tilt_azimuth"]), np.radians(view["tilt"])
    away = Vector((np.cos(a) * np.sin(tilt), np.sin(a) * np.sin(tilt), np.cos(tilt)))
    turn = np.radians(view["turn"])
    up = Vector((-np.sin(turn), np.cos(turn), 0))
    right = up.cross(away).normalized()
    pose = Matrix((right, away.cross(right), away)).transposed().to_4x4()
    aside = pose @ Vector((view["aside"][0] * size_mm[0], view["aside"][1] * size_mm[1], 0))
    pose.translation = Vector((*middle, 0)) + away * far + aside
    made.matrix_world = pose
    body = np.array([[-12, 12], [62, 12], [62, -140], [-12, -140]], float)
    corners = [pose @ Vector((x, y, 3)) for x, y in body]
    shape_of(
        "phone",
        np.array(corners),
        np.array([[0, 1, 2, 3]]),
        plain("case", scene.light["case_grey"], 0.3),
        smooth=False,
    )
    return np.array(pose)


def traced(seed: int) -> NDArray[np.float32]:
    """Linear RGB, row 0 at the top."""
    scene = bpy.context.scene
    scene.cycles.seed = seed
    with tempfile.TemporaryDirectory() as folder:
        scene.render.filepath = str(Path(folder) / "picture.exr")
        bpy.ops.render.render(write_still=True)
        image = bpy.data.images.load(scene.render.filepath)
        wide, high = image.size
        pixels = np.empty(wide * high * 4, np.float32)
        image.pixels.foreach_get(pixels)
    return pixels.reshape(high, wide, 4)[::-1, :, :3].copy()
